"""Photos of a face from two places: on the command line, in a walk, and what a farm keeps."""

from __future__ import annotations

import csv
import shutil
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as PillowImage

from fruitvision.cli import main
from fruitvision.domain import (
    Block,
    DepthGrade,
    Doubt,
    MeasuredPhoto,
    Protocol,
    TreeId,
    TreePhoto,
)
from fruitvision.fruit.detector import choose_detector
from fruitvision.photo import photo_id_of
from fruitvision.pipeline.photos import made_with
from fruitvision.pipeline.views import join_kept_faces, take_off
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from fruitvision.tree import sample_trees
from tests.scenes import Ball, Camera, Marker, draw_scene
from tests.two_places import camera_at, canopy, photographed

pytestmark = pytest.mark.usefixtures("season_over")

SETTINGS = Settings()
CLASSICAL = ("--detector", "classical")
DAY = date(2026, 8, 12)
TREE = TreeId("Hill", 3, 17)
PHONE = Camera(width_px=900, height_px=1200, focal_px=900.0)
MARKER_MM = (-250.0, 500.0, 2000.0)
STEP_MM = 300.0


def _balls(seed: int) -> list[tuple[tuple[float, float, float], float]]:
    """Centre and diameter of fifteen balls that do not touch, at different depths."""
    rng = np.random.default_rng(seed)
    return [
        (
            (
                x + float(rng.uniform(-40, 40)),
                y + float(rng.uniform(-40, 40)),
                2000.0 + float(rng.normal(0.0, 130.0)),
            ),
            float(rng.uniform(64.0, 80.0)),
        )
        for x in (-350.0, -50.0, 250.0)
        for y in (-750.0, -500.0, -250.0, 0.0, 250.0)
    ]


def _draw(path: Path, seed: int, step_mm: float, *, day: str = "2026:08:12 10:00:00") -> Path:
    """A JPEG of the balls and the marker, from so many mm to the right."""
    things = (
        *(
            Ball(centre_mm=(x - step_mm, y, z), diameter_mm=diameter)
            for (x, y, z), diameter in _balls(seed)
        ),
        Marker(centre_mm=(MARKER_MM[0] - step_mm, *MARKER_MM[1:])),
    )
    image = draw_scene(PHONE, things, seed=seed + int(step_mm), rays_per_side=3)
    exif = PillowImage.Exif()
    details = exif.get_ifd(0x8769)
    details[0xA405] = round(PHONE.focal_35mm)
    details[0x9003] = day
    path.parent.mkdir(parents=True, exist_ok=True)
    PillowImage.fromarray(image).save(path, quality=92, exif=exif)
    return path


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One face from two places, and another tree."""
    folder = tmp_path_factory.mktemp("drawn")
    _draw(folder / "a.jpg", 1, 0.0)
    _draw(folder / "b.jpg", 1, STEP_MM)
    _draw(folder / "other.jpg", 5, STEP_MM)
    return folder


@pytest.fixture(scope="module")
def measured(drawn: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The kept results of these photos, each by itself."""
    out = tmp_path_factory.mktemp("measured")
    assert main(["measure", str(drawn), "--out", str(out), *CLASSICAL]) == 0
    return out / ".measured"


# ---------------------------------------------------------------- loose photos


def test_measure_pair_gives_each_shared_fruit_its_own_millimetres(
    drawn: Path, measured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(measured, tmp_path / ".measured")
    photos = [str(drawn / "a.jpg"), str(drawn / "b.jpg")]
    assert main(["measure", *photos, "--pair", "--out", str(tmp_path), *CLASSICAL]) == 0
    said = capsys.readouterr().out
    assert "a.jpg and b.jpg together" in said
    rows = _rows(tmp_path / "fruit.csv")
    shared = [row for row in rows if row["same_as"]]
    assert len(shared) >= 10
    assert all(row["photo"] == "b.jpg" and row["same_as"].startswith("a.jpg f") for row in shared)
    truth = {(x - STEP_MM, y, z): mm for (x, y, z), mm in _balls(1)}
    errors = []
    for row in shared:
        assert row["depth_grade"] == "two views"
        ray = (np.array([float(row["centre_x_px"]), float(row["centre_y_px"])])) - PHONE.centre_px
        (_, _, z), mm = min(
            truth.items(),
            key=lambda item: np.hypot(*(np.array(item[0][:2]) / item[0][2] * 900.0 - ray)),
        )
        assert float(row["distance_mm"]) == pytest.approx(z, abs=70.0)
        errors.append(float(row["diameter_mm"]) - mm)
    assert abs(np.mean(errors)) < 1.5
    assert np.abs(errors).mean() < 2.0


def test_measure_pair_of_two_trees_says_so_and_sizes_each_photo_by_itself(
    drawn: Path, measured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(measured, tmp_path / ".measured")
    photos = [str(drawn / "a.jpg"), str(drawn / "other.jpg")]
    assert main(["measure", *photos, "--pair", "--out", str(tmp_path), *CLASSICAL]) == 1
    assert "do not fit together" in capsys.readouterr().out
    rows = _rows(tmp_path / "fruit.csv")
    assert not any(row["same_as"] for row in rows)
    assert {row["photo"] for row in rows if row["diameter_mm"]} == {"a.jpg", "other.jpg"}
    doubts = {row["photo"]: row["doubts"] for row in _rows(tmp_path / "photos.csv")}
    assert all("views_not_joined" in doubt for doubt in doubts.values())


def test_one_photo_is_no_pair(
    drawn: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = str(drawn / "a.jpg")
    assert main(["measure", photo, "--pair", "--out", str(tmp_path), *CLASSICAL]) == 2
    assert "no pair" in capsys.readouterr().err


# ---------------------------------------------------------------- a walk


def test_a_walk_may_list_two_photos_of_a_face(
    drawn: Path, measured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    walk, farm = tmp_path / "walk", tmp_path / "farm"
    shutil.copytree(measured, farm)
    walk.mkdir()
    for name in ("a.jpg", "b.jpg", "other.jpg"):
        (walk / name).write_bytes((drawn / name).read_bytes())
    (walk / "blocks.csv").write_text(
        "block,variety,positions,missing,pollinizers,pick_date\nHill,Gala,300,0,0,2026-09-03\n"
    )
    (walk / "walk.csv").write_text(
        "photo,block,row,position,face\na.jpg,Hill,3,17,A\nb.jpg,Hill,3,17,A\n"
        "other.jpg,Hill,3,18,A\n"
    )
    load = ["load", str(walk), "--farm", str(farm), *CLASSICAL]
    assert main(load) == 0
    assert "1 face measured from two places" in capsys.readouterr().out
    with open_farm(farm) as store:
        places = {photo.place for photo in store.tree_photos() if photo.tree.position == 17}
        kept = {photo.photo.name: photo for photo in store.measured_photos()}
    assert places == {1, 2}
    assert any(fruit.same_as for fruit in kept["b.jpg"].fruit)
    assert not kept["other.jpg"].seen_with
    assert main(load) == 0
    assert "measured from two places" not in capsys.readouterr().out
    with open_farm(farm) as store:
        assert {photo.photo.name: photo for photo in store.measured_photos()} == kept
    assert main(["block", "--farm", str(farm), *CLASSICAL]) == 0
    counted = sum(kept[name].fruit_count for name in ("a.jpg", "other.jpg")) / 2
    assert f"{counted:.1f}" in capsys.readouterr().out


# ---------------------------------------------------------------- what the farm keeps


def _kept(store: FarmStore, name: str, step_mm: float, place: int, seed: int = 1) -> MeasuredPhoto:
    """A photo of the tree as if it had been measured, in the farm."""
    photo, _ = photographed(name, canopy(seed), camera_at(step_mm), sum(map(ord, name)))
    photo = replace(photo, made_with=made_with(choose_detector("classical"), SETTINGS))
    store.save_measured_photo(photo)
    _place(store, name, place)
    return photo


def _place(store: FarmStore, name: str, place: int, tree: TreeId = TREE) -> None:
    store.save_tree_photos(
        [TreePhoto(tree=tree, face="A", photo_id=name, walked_on=DAY, place=place)]
    )


@pytest.fixture
def farm(tmp_path: Path) -> FarmStore:
    store = open_farm(tmp_path / "farm")
    store.save_blocks([Block(block_id="Hill", variety="Gala", positions=300)])
    return store


def test_a_face_is_joined_once_and_the_farm_keeps_it(farm: FarmStore) -> None:
    _kept(farm, "a", 0.0, 1)
    _kept(farm, "b", 400.0, 2)
    faces = join_kept_faces(farm, settings=SETTINGS, detector_name="classical")
    assert [face.joined for face in faces.joined] == [("a.jpg", "b.jpg")]
    kept = {photo.photo.photo_id: photo for photo in farm.measured_photos()}
    assert kept == dict(faces.photos)
    assert kept["a"].seen_with == ("b",)
    assert any(fruit.depth_grade is DepthGrade.TWO_VIEWS for fruit in kept["a"].fruit)
    again = join_kept_faces(farm, settings=SETTINGS, detector_name="classical")
    assert again.joined == ()


def test_photos_of_another_walk_of_the_week_are_neither_tried_nor_told(farm: FarmStore) -> None:
    """Each walk's photos are joined among themselves, also over midnight."""
    for name, step_mm, days, place in (
        ("a", 0.0, 0, 1),
        ("b", 400.0, 0, 2),
        ("c", 0.0, 2, 3),
        ("d", 400.0, 3, 4),
    ):
        _kept(farm, name, step_mm, place)
        photo = farm.tree_photo(name)
        assert photo is not None
        farm.save_tree_photos([replace(photo, walked_on=DAY + timedelta(days=days))])
    faces = join_kept_faces(farm, settings=SETTINGS, detector_name="classical")
    assert [face.joined for face in faces.joined] == [("a.jpg", "b.jpg"), ("c.jpg", "d.jpg")]
    assert faces.not_joined == ()
    assert not join_kept_faces(farm, settings=SETTINGS, detector_name="classical").joined


def test_joining_can_be_broken_off_before_any_face(farm: FarmStore) -> None:
    _kept(farm, "a", 0.0, 1)
    _kept(farm, "b", 400.0, 2)

    def stop() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        join_kept_faces(farm, settings=SETTINGS, detector_name="classical", before_each=stop)
    assert not any(photo.seen_with for photo in farm.measured_photos())


def test_the_first_place_counts_and_the_second_adds_only_sizes(farm: FarmStore) -> None:
    first = _kept(farm, "a", 0.0, 1)
    _kept(farm, "b", 400.0, 2)
    photos = farm.tree_photos("Hill")
    alone, _ = sample_trees(photos[:1], {"a": first})
    faces = join_kept_faces(farm, settings=SETTINGS, detector_name="classical")
    (tree,), doubts = sample_trees(photos, faces.photos)
    assert tree.visible_count == first.fruit_count == alone[0].visible_count
    assert tree.protocol is Protocol.ONE_FACE
    assert doubts == ()
    assert len(tree.diameters_mm) == faces.joined[0].distinct
    assert len(tree.diameters_mm) == len(tree.above_marker_mm) > len(alone[0].diameters_mm)
    assert np.mean(tree.diameter_errors_mm) < np.mean(alone[0].diameter_errors_mm)


def test_photos_that_do_not_fit_add_nothing_and_are_doubted(farm: FarmStore) -> None:
    first = _kept(farm, "a", 0.0, 1)
    _kept(farm, "stranger", 400.0, 2, seed=9)
    faces = join_kept_faces(farm, settings=SETTINGS, detector_name="classical")
    (problem,) = faces.not_joined
    assert "do not fit together" in problem.what
    (tree,), _ = sample_trees(farm.tree_photos("Hill"), faces.photos)
    assert tree.visible_count == len(tree.diameters_mm) == first.fruit_count
    assert Doubt.VIEWS_NOT_JOINED in tree.doubts
    again = join_kept_faces(farm, settings=SETTINGS, detector_name="classical")
    assert again.joined == ()


def test_a_photo_that_moves_to_another_tree_is_measured_by_itself_again(
    farm: FarmStore, tmp_path: Path
) -> None:
    """The kept files show no tree: measured anew they have no fruit at all."""
    names = []
    for grey in (100, 120, 140):
        path = tmp_path / f"{grey}.png"
        PillowImage.new("RGB", (320, 240), (grey, grey, grey)).save(path)
        names.append(photo_id_of(path))
        farm.keep_photo(path, names[-1])
    one, other, third = names
    _kept(farm, one, 0.0, 1)
    _kept(farm, other, 400.0, 2)
    join_kept_faces(farm, settings=SETTINGS, detector_name="classical")
    _place(farm, other, 1, TreeId("Hill", 3, 18))
    _kept(farm, third, -400.0, 2)
    join_kept_faces(farm, settings=SETTINGS, detector_name="classical")
    kept = {photo.photo.photo_id: photo for photo in farm.measured_photos()}
    assert kept[other].fruit == ()
    assert kept[other].seen_with == ()
    assert kept[one].photo.name == f"{one}.jpg"
    assert kept[one].fruit == ()
    assert kept[one].seen_with == (third,)
    assert not any(fruit.same_as for fruit in kept[third].fruit)


def test_a_photo_taken_off_leaves_no_doubt_behind(farm: FarmStore, tmp_path: Path) -> None:
    """Neither on the one that stays nor on itself, when it comes back as the other face."""
    names = []
    for grey in (100, 120):
        path = tmp_path / f"{grey}.png"
        PillowImage.new("RGB", (320, 240), (grey, grey, grey)).save(path)
        names.append(photo_id_of(path))
        farm.keep_photo(path, names[-1])
    _kept(farm, names[0], 0.0, 1)
    _kept(farm, names[1], 400.0, 2, seed=9)
    join_kept_faces(farm, settings=SETTINGS, detector_name="classical")
    kept = {one.photo.photo_id: one for one in farm.measured_photos()}
    assert all(Doubt.VIEWS_NOT_JOINED in kept[name].doubts for name in names)
    first, second = (farm.tree_photo(name) for name in names)
    assert first is not None
    assert second is not None
    take_off(farm, second, [first], settings=SETTINGS, detector_name="classical")
    assert farm.tree_photos("Hill") == (first,)
    kept = {one.photo.photo_id: one for one in farm.measured_photos()}
    for name in names:
        assert Doubt.VIEWS_NOT_JOINED not in kept[name].doubts
        assert kept[name].seen_with == ()

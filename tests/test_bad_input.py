"""Every bad input of the main job: a sentence that says what to do, and the rest goes on."""

import csv
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image as PillowImage

from fruitvision.cli import main
from fruitvision.store import open_farm
from tests.scenes import Ball, Camera, Image, Marker, Thing, draw_scene

pytestmark = pytest.mark.usefixtures("season_over")

# The pictures here are drawn balls, which a detector trained on photos rightly leaves alone.
CLASSICAL = ("--detector", "classical")

CAMERA = Camera(width_px=900, height_px=1200, focal_px=900.0)
FRUIT = tuple(
    Ball(centre_mm=(x, y, 2000.0), diameter_mm=72.0)
    for x in (-450.0, -150.0, 150.0, 450.0)
    for y in (-600.0, -300.0, 0.0)
)
MARKER = Marker(centre_mm=(0.0, 500.0, 2000.0))


@cache
def drawn(things: tuple[Thing, ...], seed: int) -> Image:
    return draw_scene(CAMERA, things, seed=seed, rays_per_side=3)


def write_photo(
    path: Path, things: Sequence[Thing] = (*FRUIT, MARKER), *, seed: int = 0, date: bool = True
) -> Path:
    """A drawn tree as JPEG with the date and the lens of a phone."""
    image = drawn(tuple(things), seed)
    exif = PillowImage.Exif()
    details = exif.get_ifd(0x8769)
    details[0xA405] = round(CAMERA.focal_35mm)
    if date:
        details[0x9003] = "2026:08:12 10:00:00"
    path.parent.mkdir(parents=True, exist_ok=True)
    PillowImage.fromarray(image).save(path, quality=90, exif=exif)
    return path


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def write_walk(folder: Path, **files: str) -> Path:
    """A walk folder with one block, one drawn photo of one tree, and what is given on top."""
    write_photo(folder / "photos" / "t1.jpg")
    usual = {
        "blocks": "block,variety,positions,missing,pollinizers,pick_date\n"
        "Gala North,Gala,300,0,0,2026-09-03\n",
        "walk": "photo,block,row,position,face\nphotos/t1.jpg,Gala North,1,1,A\n",
    }
    for name, text in (usual | files).items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int, str]:
    """One `measure` over good and bad photos: results, exit status, what was printed."""
    folder = tmp_path_factory.mktemp("photos")
    out = tmp_path_factory.mktemp("out")
    write_photo(folder / "good.jpg")
    (folder / "renamed.jpg").write_bytes((folder / "good.jpg").read_bytes())
    (folder / "empty.jpg").write_bytes(b"")
    (folder / "text.jpg").write_text("these are no pixels")
    (folder / "short.jpg").write_bytes((folder / "good.jpg").read_bytes()[:20_000])
    PillowImage.new("1", (20_000, 10_000)).save(folder / "bomb.png")
    grey = np.full((1200, 900, 3), 150, np.uint8)
    cv2.imwrite(str(folder / "wall.jpg"), grey)
    write_photo(folder / "no_marker.jpg", FRUIT)
    half = Marker(centre_mm=(0.0, 1330.0, 2000.0))
    write_photo(folder / "half_marker.jpg", (*FRUIT, half), seed=1)
    tilted = Marker(centre_mm=(0.0, 500.0, 2000.0), tilt_deg=45, tilt_axis_deg=90)
    write_photo(folder / "tilted.jpg", (*FRUIT, tilted), seed=2)
    small = Marker(centre_mm=(0.0, 500.0, 2000.0), side_mm=75)
    write_photo(folder / "small.jpg", (*FRUIT, small), seed=3)
    other = Marker(centre_mm=(300.0, 500.0, 2000.0), side_mm=190, marker_id=9)
    here = Marker(centre_mm=(-300.0, 500.0, 2000.0))
    write_photo(folder / "two.jpg", (*FRUIT, here, other), seed=4)
    status, text = run("measure", str(folder), "--out", str(out), "--workers", "1", *CLASSICAL)
    return out, status, text


def run(*arguments: str) -> tuple[int, str]:
    """Run a command in this process; its exit status and all that it printed."""
    import contextlib
    import io

    stream = io.StringIO()
    with contextlib.redirect_stdout(stream), contextlib.redirect_stderr(stream):
        status = main(list(arguments))
    return status, stream.getvalue()


@pytest.mark.parametrize(
    ("name", "reason"),
    [("empty.jpg", "empty"), ("text.jpg", ""), ("short.jpg", ""), ("bomb.png", "200 megapixels")],
)
def test_a_file_that_is_no_photo_is_refused_with_a_fix(
    measured: tuple[Path, int, str], name: str, reason: str
) -> None:
    out, status, text = measured
    refused = {Path(row["name"]).name: row for row in rows_of(out / "refused.csv")}
    assert status == 1
    assert reason in refused[name]["what"]
    assert len(refused[name]["fix"]) > 10
    assert name in text
    assert set(refused) == {"empty.jpg", "text.jpg", "short.jpg", "bomb.png"}


def test_the_rest_goes_on(measured: tuple[Path, int, str]) -> None:
    out, _, _ = measured
    photos = {row["photo"]: row for row in rows_of(out / "photos.csv")}
    assert len(photos) == 7
    good = photos["good.jpg"]
    assert int(good["fruit_count"]) == pytest.approx(12, abs=2)
    # 2000 mm away at 900 px focal length.
    assert float(good["mm_per_px"]) == pytest.approx(2000 / 900, rel=0.01)
    assert good["taken_at"].startswith("2026-08-12T10:00:00")


def test_the_same_photo_renamed_is_one_photo(measured: tuple[Path, int, str]) -> None:
    out, _, text = measured
    names = [row["photo"] for row in rows_of(out / "photos.csv")]
    assert "renamed.jpg" not in names
    assert "renamed.jpg is the same photo as" in text


@pytest.mark.parametrize(
    ("name", "doubt"),
    [
        ("no_marker.jpg", "no_marker"),
        ("half_marker.jpg", "marker_cut"),
        ("tilted.jpg", "marker_tilted"),
        ("small.jpg", "marker_small"),
        ("two.jpg", "markers_disagree"),
    ],
)
def test_without_a_good_marker_fruit_are_counted_never_sized(
    measured: tuple[Path, int, str], name: str, doubt: str
) -> None:
    out, _, _ = measured
    photo = next(row for row in rows_of(out / "photos.csv") if row["photo"] == name)
    fruit = [row for row in rows_of(out / "fruit.csv") if row["photo"] == name]
    assert doubt in photo["doubts"].split(";")
    assert photo["mm_per_px"] == ""
    assert len(fruit) >= 8
    assert {row["diameter_mm"] for row in fruit} == {""}


def test_two_markers_that_disagree_are_both_named(measured: tuple[Path, int, str]) -> None:
    _, _, text = measured
    line = next(line for line in text.splitlines() if "7" in line and "9" in line)
    assert "mm" in line


def test_a_photo_with_no_tree_has_no_fruit(measured: tuple[Path, int, str]) -> None:
    out, _, _ = measured
    photo = next(row for row in rows_of(out / "photos.csv") if row["photo"] == "wall.jpg")
    assert photo["fruit_count"] == "0"
    assert "no_tree" in photo["doubts"].split(";")


@pytest.mark.parametrize("positions", ["0", "-4", "many"])
def test_a_block_with_impossible_trees_is_refused_by_name(tmp_path: Path, positions: str) -> None:
    walk = write_walk(
        tmp_path / "walk", blocks=f"block,variety,positions\nGala North,Gala,{positions}\n"
    )
    status, text = run("load", str(walk), "--farm", str(tmp_path / "farm"))
    assert status in (1, 2)
    assert "blocks.csv, line 2" in text
    assert "positions" in text


def test_a_thousands_comma_is_understood(tmp_path: Path) -> None:
    blocks = 'block,variety,positions,pick_date\nGala North,Gala,"3,000",2026-09-03\n'
    walk = write_walk(tmp_path / "walk", blocks=blocks)
    farm = str(tmp_path / "farm")
    assert run("load", str(walk), "--farm", farm, "--workers", "1", *CLASSICAL)[0] == 0
    assert "1 of 3000 bearing trees" in run("block", "--farm", farm, *CLASSICAL)[1]


def test_a_hand_count_below_what_a_face_shows_is_named(tmp_path: Path) -> None:
    counts = (
        "block,row,position,fruit_count,counted_on,protocol\nGala North,1,1,3,2026-08-12,one face\n"
    )
    walk = write_walk(tmp_path / "walk", hand_counts=counts)
    farm = str(tmp_path / "farm")
    run("load", str(walk), "--farm", farm, "--workers", "1", *CLASSICAL)
    assert "is below what one face shows" in run("block", "--farm", farm, *CLASSICAL)[1]


def test_a_pick_before_the_photos_is_refused(tmp_path: Path) -> None:
    farm = str(tmp_path / "farm")
    run("load", str(write_walk(tmp_path / "walk")), "--farm", farm, "--workers", "1", *CLASSICAL)
    status, text = run("forecast", "--farm", farm, "--pick", "Gala North=2026-08-01", *CLASSICAL)
    assert status == 2
    assert "before the photos" in text
    status, text = run("forecast", "--farm", farm, "--pick", "Gala North: soon", *CLASSICAL)
    assert status == 2
    assert "Write it as" in text


@pytest.mark.parametrize(
    ("rows", "named"),
    [
        ("65-70,65,70,18\n71-75,71,75,18\n", ("65", "71")),
        ("70-80,70,80,18\n75-85,75,85,18\n", ("70", "85")),
    ],
    ids=["gap", "overlap"],
)
def test_a_size_table_with_a_gap_or_an_overlap_is_refused(
    tmp_path: Path, rows: str, named: tuple[str, str]
) -> None:
    farm = str(tmp_path / "farm")
    run("load", str(write_walk(tmp_path / "walk")), "--farm", farm, "--workers", "1", *CLASSICAL)
    table = tmp_path / "table.csv"
    table.write_text("class,from_mm,to_mm,carton_kg\n" + rows, encoding="utf-8")
    status, text = run("forecast", "--farm", farm, "--sizes", str(table), *CLASSICAL)
    assert status == 2
    assert all(number in text for number in named)


def test_calipers_as_people_type_them(tmp_path: Path) -> None:
    calipers = (
        "block;row;position;fruit;measured_on;diameter_mm\n"
        "Gala North;1;1;1;2026-08-12;71,5\n"
        "Gala North;1;1;2;2026-08-12;2.79\n"
        "Gala North;1;1;3;2026-08-12;700\n"
    )
    walk = write_walk(tmp_path / "walk", calipers=calipers)
    status, text = run(
        "load", str(walk), "--farm", str(tmp_path / "farm"), "--workers", "1", *CLASSICAL
    )
    assert status == 1
    assert "1 caliper reading." in text
    assert "calipers.csv, line 3" in text
    assert "inches" in text
    assert "calipers.csv, line 4" in text


def test_other_mistakes_are_two_sentences(tmp_path: Path) -> None:
    for arguments in (
        ("measure", "nowhere.jpg", "--out", str(tmp_path), "--detector", "clasical"),
        ("forecast", "--farm", str(tmp_path / "none")),
        ("load", str(tmp_path), "--farm", str(tmp_path / "farm")),
        ("measure", str(tmp_path), "--out", str(tmp_path / "o"), "--mm-per-px", "-1"),
    ):
        status, text = run(*arguments)
        assert status == 2, text
        assert "Traceback" not in text
        assert len(text.strip().splitlines()) >= 2, text


def test_a_table_in_place_of_its_folder_is_told_from_a_folder_that_is_not_there(
    tmp_path: Path,
) -> None:
    (tmp_path / "walk.csv").write_text("photo,block,row,position,face\n")
    status, text = run("load", str(tmp_path / "walk.csv"), "--farm", str(tmp_path / "farm"))
    assert status == 2
    assert "walk.csv is a file." in text
    assert "fruitvision table load" in text


def test_a_wrong_folder_leaves_no_farm_behind(tmp_path: Path) -> None:
    for folder in (tmp_path / "none", tmp_path):
        status, text = run("load", str(folder), "--farm", str(tmp_path / "farm"))
        assert status == 2
        assert "There is no folder" in text or "has no blocks.csv" in text
    walk = write_walk(tmp_path / "walk", blocks="block,variety\nGala North,Gala\n")
    status, text = run("load", str(walk), "--farm", str(tmp_path / "farm"))
    assert (status, "positions" in text) == (2, True)
    assert not (tmp_path / "farm").exists()


def test_no_photo_and_no_block_are_said(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    status, text = run("measure", str(tmp_path / "empty"), "--out", str(tmp_path / "out"))
    assert status == 2
    assert "There are no photos in" in text
    with open_farm(tmp_path / "farm"):
        pass
    status, text = run("block", "--farm", str(tmp_path / "farm"))
    assert status == 2
    assert "holds no block yet" in text


def test_a_forecast_made_again_is_the_latest_again(tmp_path: Path) -> None:
    farm = str(tmp_path / "farm")
    walk = write_walk(
        tmp_path / "walk",
        hand_counts="block,row,position,fruit_count,counted_on,protocol\n"
        "Gala North,1,1,20,2026-08-12,one face\n",
    )
    run("load", str(walk), "--farm", farm, "--workers", "1", *CLASSICAL)
    first = _version(run("forecast", "--farm", farm, *CLASSICAL)[1])
    other = _version(
        run("forecast", "--farm", farm, "--pick", "Gala North=2026-09-20", *CLASSICAL)[1]
    )
    assert first != other
    assert _version(run("forecast", "--farm", farm, *CLASSICAL)[1]) == first
    _, text = run("export", "--farm", farm, "--out", str(tmp_path / "out"))
    assert f"Version {first}" in text


def _version(text: str) -> str:
    return text.split("version ", 1)[1].split(maxsplit=1)[0]


def test_a_batch_that_is_killed_goes_on_where_it_was(tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    for number in range(5):
        write_photo(photos / f"t{number}.jpg", seed=number)
    out = tmp_path / "out"
    command = [
        sys.executable, "-c", "import sys; from fruitvision.cli import main; sys.exit(main())",
        "measure", str(photos), "--out", str(out), "--workers", "1", *CLASSICAL,
    ]  # fmt: skip
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)  # noqa: S603
    database = out / ".measured" / "fruitvision.sqlite"
    started = time.monotonic()
    while _stored(database) < 2 and process.poll() is None and time.monotonic() - started < 120:
        time.sleep(0.05)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    before = _stored(database)
    assert before >= 2
    assert not (out / "photos.csv").exists() or before == 5
    status, _ = run("measure", str(photos), "--out", str(out), "--workers", "1", *CLASSICAL)
    assert status == 0
    assert sorted(row["photo"] for row in rows_of(out / "photos.csv")) == [
        f"t{number}.jpg" for number in range(5)
    ]
    assert _stored(database) == 5


def _stored(database: Path) -> int:
    """Photos whose measurement is kept."""
    if not database.exists():
        return 0
    try:
        with open_farm(database.parent, create=False) as store:
            return len(store.measured_photos())
    except Exception:  # the database may be half made while the other process starts
        return 0

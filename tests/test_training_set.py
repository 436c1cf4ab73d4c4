"""The rendered training set: its recipe is the same anywhere, broad, and not the benchmark's."""

from __future__ import annotations

import json
import math
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from fruitvision.errors import SimulationError
from fruitvision.simulate.__main__ import main
from fruitvision.simulate.album import Album, fill_albums
from fruitvision.simulate.benchmark import BENCHMARK
from fruitvision.simulate.picture.balls import BALL_COLOURS
from fruitvision.simulate.picture.ground import GroundDials
from fruitvision.simulate.picture.shot import Look
from fruitvision.simulate.picture.skins import SKINS
from fruitvision.simulate.picture.tree import TreeDials
from fruitvision.simulate.training_looks import LIGHTS
from fruitvision.simulate.training_set import (
    FIRST_YOUNG_SEED,
    GROUPS,
    Groups,
    Part,
    gather_truth,
    group_work,
    training_albums,
)
from fruitvision.simulate.work import Pictures, Work

TINY = Pictures(samples=1, width_px=60, height_px=80)
WORKS = tuple(group_work(number) for number in range(GROUPS))


def light_of(work: Work) -> str:
    """The kind of light as the words of the preset have it: skin, diameter, light."""
    return work.preset.words.split(", ")[2]


def mean_mm(work: Work) -> float:
    return work.preset.plans[0].diameter_mm


# ---------------------------------------------------------------- the recipe


def test_the_recipe_is_the_same_on_every_call() -> None:
    assert group_work(7) == WORKS[7]
    assert group_work(8) != group_work(7)


def test_its_numbers_are_fixed_so_that_the_set_can_be_made_again() -> None:
    first = WORKS[0]
    assert first.preset.words == "Gala, 77 mm, white sky"
    assert first.seed == 5000
    assert first.preset.look.camera.distance_mm == pytest.approx(2706.74, abs=0.01)
    assert first.preset.plans[0].fruit_per_tree == pytest.approx(49.84, abs=0.01)


def test_no_group_shares_a_seed_with_another_or_with_benchmark_and_samples() -> None:
    seeds = [work.seed for work in WORKS]
    assert len(set(seeds)) == len(seeds)
    assert min(seeds) >= 5000
    assert not set(seeds) & {seed for _, seed in BENCHMARK.presets}


def test_every_skin_is_seen_in_every_light() -> None:
    met = Counter((work.preset.look.skin.kind, light_of(work)) for work in WORKS)
    assert set(met) == {(skin, light) for skin in SKINS for light in LIGHTS}
    assert set(met.values()) == {1}


def test_fruit_reach_from_fruitlets_to_the_largest_and_green_ones_are_often_small() -> None:
    assert min(map(mean_mm, WORKS)) < 25.0
    assert max(map(mean_mm, WORKS)) > 90.0
    green = [mean_mm(work) < 50.0 for work in WORKS if work.preset.look.skin.kind == "green"]
    red = [mean_mm(work) < 50.0 for work in WORKS if work.preset.look.skin.kind == "dark_red"]
    assert sum(green) > sum(red)


def test_about_half_of_the_groups_have_balls_in_every_colour_there_is() -> None:
    with_balls = [
        work.preset.look.references for work in WORKS if work.preset.look.references.balls
    ]
    assert 0.4 * GROUPS < len(with_balls) < 0.6 * GROUPS
    assert all(1 <= found.balls <= 5 and 40.0 <= found.ball_mm <= 80.0 for found in with_balls)
    hung = {colour for found in with_balls for colour in found.ball_colours[: found.balls]}
    assert hung == set(BALL_COLOURS)


def test_about_a_quarter_of_the_groups_is_held_across_in_every_light() -> None:
    sizes = Counter((work.look().camera.width_px, work.look().camera.height_px) for work in WORKS)
    assert set(sizes) == {(1800, 1350), (1350, 1800)}
    assert 0.18 * GROUPS < sizes[1800, 1350] < 0.32 * GROUPS
    across = {light_of(work) for work in WORKS if work.look().camera.width_px == 1800}
    assert across == set(LIGHTS)


def test_about_one_group_in_twenty_bears_next_to_nothing() -> None:
    barren = [work for work in WORKS if work.preset.plans[0].fruit_per_tree < 2.0]
    assert 2 <= len(barren) <= 4
    for work in barren:
        (block,) = work.draw()
        assert len(block.tree) < 2.0 * len(block.places)
        assert work.preset.words.endswith("no fruit")


def test_exposure_reaches_from_dark_to_bright_and_distance_from_near_to_far() -> None:
    stops = [work.preset.look.phone.exposure_stops[0] for work in WORKS]
    assert -1.2 <= min(stops) < -1.0
    assert 0.5 < max(stops) <= 0.6
    far = [work.preset.look.camera.distance_mm for work in WORKS]
    assert 1700.0 <= min(far) < 1850.0
    assert 3050.0 < max(far) <= 3200.0


def test_the_sheet_of_a_near_camera_hangs_inside_its_picture() -> None:
    for work in WORKS:
        camera = work.look().camera
        # Half the width of the view at the trunk; a film of 35 mm has a diagonal of 43.27 mm.
        diagonal_px = math.hypot(camera.width_px, camera.height_px)
        half_mm = camera.distance_mm * camera.width_px / 2 * 43.27 / camera.focal_35mm / diagonal_px
        assert work.preset.look.references.aside_mm[1] < 0.8 * half_mm


# ---------------------------------------------------------------- parts and folders


def test_two_parts_share_no_group_and_are_all_of_them() -> None:
    out = Path("set")
    first, second = (
        training_albums(out, Groups(count=9), Part(number=number, of=2)) for number in (1, 2)
    )
    assert [album.folder.name for album in second] == [f"group-00{n}" for n in (1, 3, 5, 7)]
    folders = {album.folder for album in (*first, *second)}
    assert folders == {album.folder for album in training_albums(out, Groups(count=9))}


@pytest.mark.parametrize("text", ["", "2", "3/2", "0/2", "a/b", "-1/2"])
def test_a_part_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(SimulationError, match="--part is"):
        Part.parse(text)


@pytest.mark.parametrize("groups", [0, -3, 2001])
def test_a_number_of_groups_out_of_range_is_refused(groups: int) -> None:
    with pytest.raises(SimulationError, match=f"--groups is {groups}"):
        Groups(count=groups)


@pytest.mark.parametrize("first", [-1, 1999])
def test_a_first_group_out_of_range_is_refused(first: int) -> None:
    assert Groups(count=2, first=1998).numbers(Part()) == range(1998, 2000)
    with pytest.raises(SimulationError, match=f"--first is {first}"):
        Groups(count=2, first=first)


def test_groups_from_a_later_one_on_are_those_of_the_whole_set() -> None:
    out = Path("set")
    later = training_albums(out, Groups(count=4, first=5), Part(number=2, of=2))
    assert later == tuple(training_albums(out, Groups(count=9))[number] for number in (6, 8))


def test_young_groups_are_small_green_fruit_in_every_light_in_photos_of_more_px() -> None:
    albums = training_albums(Path("set"), Groups(count=16, young=True))
    works = [album.work for album in albums]
    assert [album.folder.name for album in albums[:2]] == ["young-000", "young-001"]
    pairs = {(work.preset.look.skin.kind, light_of(work)) for work in works}
    assert pairs == {(skin, light) for skin in ("green", "green_blush") for light in LIGHTS}
    assert all(20.0 <= mean_mm(work) <= 48.0 for work in works)
    cameras = [work.look().camera for work in works]
    sizes = Counter((camera.width_px, camera.height_px) for camera in cameras)
    assert set(sizes) == {(1800, 2400), (2400, 1800)}
    assert sizes[1800, 2400] > sizes[2400, 1800]
    seeds = {work.seed for work in works}
    assert min(seeds) == FIRST_YOUNG_SEED
    others = {album.work.seed for album in training_albums(Path("set"), Groups(count=2000))}
    assert not seeds & others


def test_with_no_minutes_left_nothing_is_made_and_the_truth_is_empty(tmp_path: Path) -> None:
    assert main(["training", "--out", str(tmp_path), "--groups", "2", "--minutes", "0"]) == 0
    assert not list(tmp_path.rglob("*.jpg"))
    assert json.loads((tmp_path / "truth_coco.json").read_text(encoding="utf-8"))["images"] == []


def test_minutes_below_zero_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["training", "--out", str(tmp_path), "--minutes", "-1"]) == 2
    assert "--minutes is -1" in capsys.readouterr().err


def test_with_a_limit_of_time_groups_take_turns(tmp_path: Path) -> None:
    bare = Look(
        tree=TreeDials(leaves=20),
        ground=GroundDials(weeds=0, tall_grass=0, dandelions=0, litter=0, rows_behind=0),
    )
    albums = tuple(
        Album(
            work=replace(
                album.work,
                preset=replace(album.work.preset, look=bare),
                trees=1,
            ),
            folder=album.folder,
        )
        for album in training_albums(tmp_path, Groups(count=2), pictures=TINY)
    )
    order: list[str] = []
    fill_albums(
        albums,
        variant="scalar_rgb",
        minutes=60.0,
        on_progress=lambda progress: order.append(Path(progress.name).parts[-3]),
    )
    assert order == 2 * ["group-000", "group-001"]
    assert gather_truth(albums, tmp_path) == 4
    truth = json.loads((tmp_path / "truth_coco.json").read_text(encoding="utf-8"))
    names = [image["file_name"] for image in truth["images"]]
    assert len(set(names)) == 4
    assert all((tmp_path / name).is_file() for name in names)

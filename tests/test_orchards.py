"""The committed benchmark set is what its recipe makes, whole, and as large as it may be."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from PIL import Image

from fruitvision.simulate.album import Album, write_tables
from fruitvision.simulate.benchmark import BENCHMARK
from fruitvision.simulate.numbers import album_lines

ORCHARDS = Path(__file__).parent / "orchards"
ALBUMS = BENCHMARK.albums(ORCHARDS)
NAMES = [album.work.preset.name for album in ALBUMS]
# Our choice: the photos of one checkout; the truth comes on top.
MOST_PHOTO_BYTES = 63e6


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("album", ALBUMS, ids=NAMES)
def test_the_folder_was_made_from_the_recipe(album: Album) -> None:
    assert json.loads((album.folder / "simulated.json").read_text()) == album.work.recipe()


@pytest.mark.parametrize("album", ALBUMS, ids=NAMES)
def test_tables_drawn_again_are_the_committed_ones(album: Album, tmp_path: Path) -> None:
    write_tables(Album(work=album.work, folder=tmp_path))
    for path in sorted(tmp_path.glob("*.csv")):
        assert path.read_bytes() == (album.folder / path.name).read_bytes(), path.name


@pytest.mark.parametrize("album", ALBUMS, ids=NAMES)
def test_every_photo_of_the_walk_is_there_in_full_size_with_its_truth(album: Album) -> None:
    walk = [row["photo"] for row in rows(album.folder / "walk.csv")]
    shots = [shot.name for shot in album.work.shots(album.work.draw())]
    assert shots == walk
    assert sum("_A_step1" in name for name in shots) == BENCHMARK.second_places
    coco = json.loads((album.folder / "truth_coco.json").read_text(encoding="utf-8"))
    assert [image["file_name"] for image in coco["images"]] == shots
    assert [row["photo"] for row in rows(album.folder / "truth_markers.csv")] == shots
    assert {row["photo"] for row in rows(album.folder / "truth_photos.csv")} == set(shots)
    size = (BENCHMARK.pictures.width_px, BENCHMARK.pictures.height_px)
    for image in coco["images"]:
        with Image.open(album.folder / image["file_name"]) as picture:
            assert picture.size == size == (image["width"], image["height"])


@pytest.mark.parametrize("album", ALBUMS, ids=NAMES)
def test_fruit_of_the_photos_are_those_of_the_block(album: Album) -> None:
    truth = {row["fruit_id"]: row["diameter_mm"] for row in rows(album.folder / "truth.csv")}
    named = [row for row in rows(album.folder / "truth_photos.csv") if row["own_tree"] == "true"]
    hanging = [row for row in named if row["category"] == "hanging fruit"]
    counts = {
        (row["row"], row["position"]): int(row["fruit_count"])
        for row in rows(album.folder / "truth_trees.csv")
    }
    photographed = {(row["row"], row["position"]) for row in rows(album.folder / "walk.csv")}
    # Both faces list each fruit of the tree in the frame: all but those at the tips of long limbs.
    assert len(hanging) > 1.6 * sum(counts[place] for place in photographed)
    assert all(row["diameter_mm"] == truth[row["fruit_id"]] for row in hanging)


@pytest.mark.parametrize("album", ALBUMS, ids=NAMES)
def test_both_places_of_a_pair_see_the_whole_marker_from_a_step_apart(album: Album) -> None:
    markers = {row["photo"]: row for row in rows(album.folder / "truth_markers.csv")}
    pairs = [(name.replace("_step1", ""), name) for name in markers if "_step1" in name]
    for first, second in pairs:
        step_mm = [
            float(markers[second][f"camera_{axis}_mm"]) - float(markers[first][f"camera_{axis}_mm"])
            for axis in "xyz"
        ]
        assert 250.0 < abs(step_mm[0]) < 550.0
        assert max(abs(step_mm[1]), abs(step_mm[2])) < 250.0
        for name in (first, second):
            x_px = [float(markers[name][f"x{corner}_px"]) for corner in range(1, 5)]
            assert 20.0 < min(x_px) < max(x_px) < BENCHMARK.pictures.width_px - 20.0


def test_the_set_is_small_enough_to_be_kept() -> None:
    photos = sorted(ORCHARDS.glob("*/photos/*.jpg"))
    assert len(photos) == 108
    assert sum(path.stat().st_size for path in photos) <= MOST_PHOTO_BYTES


def test_the_page_shows_the_numbers_of_the_set() -> None:
    page = (ORCHARDS / "README.md").read_text(encoding="utf-8")
    for line in album_lines(ORCHARDS):
        assert line in page

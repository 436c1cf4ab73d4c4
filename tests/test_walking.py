"""A walk in a farm: drawn once, gone on with by anybody, photos kept before they are measured."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from PIL import Image as PillowImage

from fruitvision.advice import Work
from fruitvision.domain import Block, KeptWalk, PlannedPlace, RegisteredTree, TreeKind
from fruitvision.errors import FieldDataError, StoreError
from fruitvision.pipeline.additions import NamedFile
from fruitvision.pipeline.walking import (
    Aim,
    Taken,
    TakenPhoto,
    WalkSize,
    add_counts,
    add_trees,
    blocks_under_way,
    capture_check,
    current_walk,
    drop_count,
    known_row_lengths,
    measure_taken,
    measured_of,
    start_walk,
    still_to_measure,
    stops_of_walk,
    take_photos,
    walk_size,
)
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from tests import records

DAY = records.WALK
SIZE = WalkSize(trees=6, hand_counts=2)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm") as opened:
        opened.save_blocks([records.block(trees=60)])
        yield opened


def start(store: FarmStore, on: date = DAY, size: WalkSize = SIZE) -> KeptWalk:
    return start_walk(store, records.BLOCK_ID, size, on=on, who="Ana", row_lengths=(30, 30))


def photo_file(folder: Path, name: str, value: int, taken_at: str = "") -> NamedFile:
    """An even picture: no tree in it, so that nothing is searched for long."""
    path = folder / name
    exif = PillowImage.Exif()
    if taken_at:
        exif.get_ifd(0x8769)[0x9003] = taken_at
    PillowImage.new("RGB", (64, 48), (value, value, value)).save(path, "JPEG", exif=exif)
    return NamedFile(name=name, path=path)


def take(
    store: FarmStore, walk: KeptWalk, *files: NamedFile, number: int = 1, face: str = "A", **how
) -> tuple[TakenPhoto, ...]:
    stop = stops_of_walk(store, walk)[number - 1]
    aim = Aim(walk=walk, stop=stop, face=face, instead_of=how.pop("instead_of", ""))
    return take_photos(files, store, aim, on=DAY, **how)


# ---------------------------------------------------------------- the walk


def test_a_walk_is_kept_and_another_scout_goes_on_with_it(store: FarmStore, tmp_path: Path) -> None:
    walk = start(store)
    with open_farm(tmp_path / "farm") as other:
        assert current_walk(other, records.BLOCK_ID, DAY + timedelta(days=6)) == walk
        again = start(other, size=WalkSize(trees=9, hand_counts=0))
    assert again == walk
    assert walk.drawn_by == "Ana"
    assert len(walk.plan.places) == 6
    assert sum(place.count_by_hand for place in walk.plan.places) == 2


def test_a_week_later_the_walk_is_over_and_its_rows_are_still_known(store: FarmStore) -> None:
    start(store)
    assert current_walk(store, records.BLOCK_ID, DAY + timedelta(days=7)) is None
    assert known_row_lengths(store, records.BLOCK_ID) == (30, 30)


def test_only_blocks_with_a_walk_under_way_are_named(store: FarmStore) -> None:
    start(store)
    assert blocks_under_way(store, DAY + timedelta(days=6)) == {records.BLOCK_ID}
    assert blocks_under_way(store, DAY + timedelta(days=7)) == frozenset()


def test_changes_of_two_scouts_at_once_are_both_kept(store: FarmStore, tmp_path: Path) -> None:
    walk = start(store, size=WalkSize(trees=8, hand_counts=8))

    def drop(place: PlannedPlace) -> None:
        with open_farm(tmp_path / "farm") as scout:
            drop_count(scout, walk, place.tree)

    with ThreadPoolExecutor(4) as scouts:
        list(scouts.map(drop, walk.plan.places))
    kept = current_walk(store, records.BLOCK_ID, DAY)
    assert not any(place.count_by_hand for place in kept.plan.places)


def test_a_block_without_register_and_rows_is_refused_with_its_fix(store: FarmStore) -> None:
    with pytest.raises(FieldDataError, match="no tree register"):
        start_walk(store, records.BLOCK_ID, SIZE, on=DAY, who="")
    assert store.walks(records.BLOCK_ID) == ()


def test_a_register_makes_rows_needless(store: FarmStore) -> None:
    store.save_register(
        [RegisteredTree(tree=records.tree_id(n, row)) for row in (1, 2) for n in range(1, 31)]
    )
    walk = start_walk(store, records.BLOCK_ID, SIZE, on=DAY, who="")
    assert walk.row_lengths == ()
    assert len(walk.plan.places) == 6


def test_more_trees_are_drawn_from_the_others_with_steps_along_the_rows(store: FarmStore) -> None:
    walk = start(store)
    more = add_trees(store, walk, 5).plan.places
    assert more[:6] == walk.plan.places
    assert len({place.tree for place in more}) == len(more) == 11
    way = [tree for row in (1, 2) for tree in _row(row)]
    for before, place in zip((None, *more[6:]), more[6:], strict=False):
        entered = _row(place.tree.row)[0]
        here = way.index((place.tree.row, place.tree.position))
        same = before is not None and before.tree.row == place.tree.row
        start_at = (before.tree.row, before.tree.position) if same else entered
        assert place.steps == here - way.index(start_at) + (not same)


def _row(row: int) -> list[tuple[int, int]]:
    up = [(row, position) for position in range(1, 31)]
    return up if row == 1 else up[::-1]


def test_more_trees_than_are_left_are_refused(store: FarmStore) -> None:
    walk = start(store)
    with pytest.raises(FieldDataError, match="54 bearing trees"):
        add_trees(store, walk, 55)
    assert current_walk(store, records.BLOCK_ID, DAY) == walk


def test_counts_are_added_and_dropped(store: FarmStore) -> None:
    walk = add_counts(store, start(store), 3)
    counting = [place.tree for place in walk.plan.places if place.count_by_hand]
    assert len(counting) == 5
    walk = drop_count(store, walk, counting[0])
    assert current_walk(store, records.BLOCK_ID, DAY) == walk
    assert [p.tree for p in walk.plan.places if p.count_by_hand] == counting[1:]


def test_a_walk_that_is_not_there_can_not_be_changed(store: FarmStore) -> None:
    with pytest.raises(StoreError, match="no walk of 2026-08-12"):
        store.change_walk(records.BLOCK_ID, DAY, lambda walk: walk)


@pytest.mark.parametrize(
    ("trees", "more", "positions", "wanted"),
    [(None, 0, 1000, 10), (12, 0, 1000, 12), (12, 7, 1000, 19), (4, 0, 1000, 10), (12, 9, 15, 15)],
)
def test_the_adviser_says_how_large_the_walk_is(trees, more, positions, wanted) -> None:
    block = Block(block_id="Mill", variety="Gala", positions=positions)
    steps = [SimpleNamespace(work=Work.CALIPER, more=5)]
    steps += [SimpleNamespace(work=Work.PHOTOGRAPH, more=more)] if more else []
    walks = SimpleNamespace(
        advice=SimpleNamespace(steps=steps), estimate=SimpleNamespace(trees=trees)
    )
    assert walk_size(block, walks if trees else None) == WalkSize(trees=wanted, hand_counts=5)


# ---------------------------------------------------------------- photos


def test_a_photo_is_kept_at_once_and_measured_later(store: FarmStore, tmp_path: Path) -> None:
    walk = start(store)
    (taken,) = take(store, walk, photo_file(tmp_path, "one.jpg", 90))
    assert taken.outcome is Taken.KEPT
    assert taken.placed is not None
    photo_id = taken.placed.photo_id
    assert store.photo_path(photo_id).exists()
    first = stops_of_walk(store, walk)[0]
    assert [photo.photo_id for photo in first.photos] == [photo_id]
    assert first.found is TreeKind.BEARING
    # Another start finds it waiting, measures it, and has nothing left to do.
    assert still_to_measure(store, walk, Settings()) == (taken.placed,)
    measured = measure_taken(store, {photo_id: "one.jpg"}, Settings())
    assert measured.refused == ()
    assert still_to_measure(store, walk, Settings()) == ()
    known = measured_of(store, first, Settings())[photo_id]
    assert known.photo.name == "one.jpg"
    assert capture_check(store, known, records.block()).fault == "no_tree"


def test_the_same_photo_again_changes_nothing(store: FarmStore, tmp_path: Path) -> None:
    walk = start(store)
    file = photo_file(tmp_path, "one.jpg", 90)
    take(store, walk, file)
    before = store.tree_photos()
    (same,) = take(store, walk, file, face="B")
    assert same.outcome is Taken.KNOWN
    assert store.tree_photos() == before


def test_a_photo_of_another_tree_stays_with_that_tree(store: FarmStore, tmp_path: Path) -> None:
    walk = start(store)
    file = photo_file(tmp_path, "one.jpg", 90)
    take(store, walk, file)
    (other,) = take(store, walk, file, number=2)
    assert other.outcome is Taken.OTHER_TREE
    assert other.placed.tree == walk.plan.places[0].tree
    assert stops_of_walk(store, walk)[1].photos == ()
    assert stops_of_walk(store, walk)[1].found is None


def test_a_bad_file_is_told_and_the_rest_is_kept(store: FarmStore, tmp_path: Path) -> None:
    walk = start(store)
    text = tmp_path / "notes.jpg"
    text.write_text("no photo")
    cut = tmp_path / "cut.jpg"
    noise = np.random.default_rng(1).integers(0, 255, (200, 200, 3), dtype=np.uint8)
    cut.write_bytes(cv2.imencode(".jpg", noise)[1].tobytes()[:2000])
    files = [NamedFile(name=path.name, path=path) for path in (text, cut)]
    taken = take(store, walk, *files, photo_file(tmp_path, "good.jpg", 90))
    outcomes = [one.outcome for one in taken]
    assert outcomes == [Taken.UNREADABLE, Taken.UNREADABLE, Taken.KEPT]
    assert "no JPEG" in str(taken[0].problem)
    assert len(stops_of_walk(store, walk)[0].photos) == 1


def test_a_photo_of_another_walk_is_not_kept_unless_the_clock_is_wrong(
    store: FarmStore, tmp_path: Path
) -> None:
    walk = start(store)
    old = photo_file(tmp_path, "old.jpg", 90, "2025:08:12 09:00:00")
    (taken,) = take(store, walk, old)
    assert (taken.outcome, taken.day) == (Taken.OTHER_DAY, date(2025, 8, 12))
    assert store.tree_photos() == ()
    # A tick for one day dates no photo of another.
    (taken,) = take(store, walk, old, wrong_day=date(2025, 8, 11))
    assert taken.outcome is Taken.OTHER_DAY
    (taken,) = take(store, walk, old, wrong_day=date(2025, 8, 12))
    assert taken.outcome is Taken.KEPT
    assert taken.placed.walked_on == DAY


def test_a_photo_that_is_taken_again_stands_in_the_place_of_the_first(
    store: FarmStore, tmp_path: Path
) -> None:
    walk = start(store)
    (first,) = take(store, walk, photo_file(tmp_path, "one.jpg", 90))
    new = [photo_file(tmp_path, f"{value}.jpg", value) for value in (100, 110)]
    take(store, walk, *new, instead_of=first.placed.photo_id)
    photos = stops_of_walk(store, walk)[0].photos
    assert [photo.place for photo in photos] == [1, 2]
    assert first.placed.photo_id not in {photo.photo_id for photo in photos}
    # The file stays in the farm.
    assert store.photo_path(first.placed.photo_id).exists()

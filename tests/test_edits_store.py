"""Edits in the farm: kept with who and when, undone and still there, in all that is counted."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import event

from fruitvision.domain import (
    AddedFruit,
    CheckedPhoto,
    Correction,
    Doubt,
    GroundLine,
    Outline,
    PhotoEdit,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
)
from fruitvision.pipeline import estimate_blocks
from fruitvision.pipeline.lines import PlacedPhoto, placed_photos
from fruitvision.pipeline.review import reviewed
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from tests import records
from tests.app.pages import TREES, fill, photo_of

NOON = datetime(2026, 8, 14, 12, 0, tzinfo=UTC)
OUTLINE = Outline(
    centre_x_px=1250.0, centre_y_px=900.0, width_px=60.0, height_px=52.5, angle_deg=-20.0
)
ALL: tuple[Correction, ...] = (
    RemovedFruit(x_px=1.5, y_px=2.0),
    RowOfFruit(x_px=1.0, y_px=2.0, on_this_row=False),
    AddedFruit(outline=OUTLINE, visible_share=0.4),
    ReshapedFruit(x_px=1.0, y_px=2.0, outline=OUTLINE, visible_share=1.0),
    GroundLine(left_y_px=1800.0, right_y_px=1820.5),
    SideLimits(left_x_px=100.0, right_x_px=1400.0),
    CheckedPhoto(detector="learned 1"),
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm") as opened:
        yield opened


def save(store: FarmStore, photo_id: str, *corrections: Correction) -> tuple[PhotoEdit, ...]:
    return store.save_photo_edits(photo_id, corrections, made_by="Ana", made_at=NOON)


def test_every_kind_comes_back_as_it_went_in_with_who_and_when(store: FarmStore) -> None:
    kept = save(store, "a", *ALL)
    assert store.photo_edits("a") == kept
    assert tuple(one.correction for one in kept) == ALL
    assert [one.number for one in kept] == list(range(1, len(ALL) + 1))
    assert {(one.made_by, one.made_at) for one in kept} == {("Ana", NOON)}
    assert store.photo_edits("b") == ()


def test_moments_are_kept_in_utc(store: FarmStore) -> None:
    east = NOON.astimezone(timezone(timedelta(hours=10)))
    store.save_photo_edits("a", ALL[:1], made_by="Ben", made_at=east)
    (kept,) = store.photo_edits("a")
    assert (kept.made_at, kept.made_at.utcoffset()) == (NOON, timedelta(0))


def test_an_undone_edit_stays_with_who_undid_it_first(store: FarmStore) -> None:
    (one, other) = save(store, "a", ALL[0], ALL[1])
    assert store.undo_photo_edit(one.number, undone_by="Ben", undone_at=NOON)
    later = NOON + timedelta(hours=1)
    assert not store.undo_photo_edit(one.number, undone_by="Cem", undone_at=later)
    assert not store.undo_photo_edit(99, undone_by="Cem", undone_at=later)
    undone, standing = store.photo_edits("a")
    assert (undone.stands, undone.undone_by, undone.undone_at) == (False, "Ben", NOON)
    assert undone.correction == one.correction
    assert standing == other


def test_edits_of_a_block_are_those_of_its_photos(store: FarmStore) -> None:
    store.save_tree_photos([records.tree_photo(1, "A", "a")])
    save(store, "a", ALL[0])
    save(store, "stray", ALL[0])
    assert [one.photo_id for one in store.photo_edits_of(records.BLOCK_ID)] == ["a"]
    assert [one.photo_id for one in store.photo_edits_of()] == ["a", "stray"]


def test_the_latest_edits_are_those_made_or_undone_last(store: FarmStore) -> None:
    old, _, new = save(store, "a", *ALL[:3])
    assert store.latest_photo_edits(1) == (new,)
    store.undo_photo_edit(old.number, undone_by="Ben", undone_at=NOON)
    assert [one.number for one in store.latest_photo_edits(1)] == [old.number, new.number]


def test_two_people_at_once_keep_both_edits(store: FarmStore) -> None:
    with open_farm(store.folder) as other:
        save(store, "a", ALL[0])
        other.save_photo_edits("a", [ALL[1]], made_by="Ben", made_at=NOON)
    assert [one.made_by for one in store.photo_edits("a")] == ["Ana", "Ben"]


def test_the_stamp_changes_with_an_edit_and_with_its_undoing(store: FarmStore) -> None:
    stamps = [store.stamp]
    (kept,) = save(store, "a", ALL[0])
    stamps.append(store.stamp)
    store.undo_photo_edit(kept.number, undone_by="Ben", undone_at=NOON)
    stamps.append(store.stamp)
    assert len(set(stamps)) == 3


def test_block_counts_and_hidden_fruit_follow_an_edit_and_its_undoing(store: FarmStore) -> None:
    # Photos of tree n show 6 + n fruit a face; hand counts are 3 (6 + n) for n = 1 ... 5: 1.5.
    fill(store)

    def visible_and_factor() -> tuple[float, float]:
        ((block,), _) = estimate_blocks(store, Settings())
        assert block.estimate.factor is not None
        return block.estimate.visible_per_tree, block.estimate.factor.factor

    visible, factor = visible_and_factor()
    assert (visible, factor) == pytest.approx((23.0, 1.5))
    # Tree 1 shows 14 fruit, two of them are none: 2 of the 90 seen on the counted trees.
    photo_id = photo_of(1, "A").photo.photo_id
    out = save(
        store,
        photo_id,
        RemovedFruit(x_px=100.0, y_px=200.0),
        RemovedFruit(x_px=200.0, y_px=200.0),
    )
    assert visible_and_factor() == pytest.approx((22.8, 135 / 88))
    shown = {one.placed.photo_id: one.measured for one in placed(store) if one.measured}
    assert shown[photo_id].fruit_count == 5
    for one in out:
        store.undo_photo_edit(one.number, undone_by="Ben", undone_at=NOON)
    assert visible_and_factor() == pytest.approx((23.0, 1.5))


def test_a_block_is_doubted_while_some_of_its_trees_are_put_right_and_others_are_not(
    store: FarmStore,
) -> None:
    fill(store)
    detector = photo_of(1, "A").made_with.detector

    def doubted() -> bool:
        ((block,), _) = estimate_blocks(store, Settings())
        return Doubt.PUT_RIGHT in block.estimate.doubts

    assert not doubted()
    save(store, photo_of(1, "A").photo.photo_id, RemovedFruit(x_px=100.0, y_px=200.0))
    assert doubted()
    for tree in range(2, TREES + 1):
        save(store, photo_of(tree, "B").photo.photo_id, CheckedPhoto(detector=detector))
    assert not doubted()


def placed(store: FarmStore) -> tuple[PlacedPhoto, ...]:
    return placed_photos(records.BLOCK_ID, store, Settings())


def test_a_block_without_edits_costs_one_query_and_no_copy(store: FarmStore) -> None:
    fill(store)
    photos = tuple(one.measured for one in placed(store) if one.measured)
    asked: list[str] = []
    event.listen(
        store._engine, "before_cursor_execute", lambda *arguments: asked.append(arguments[2])
    )
    found = reviewed(photos, store, Settings(), records.BLOCK_ID)
    assert all(new is old for new, old in zip(found, photos, strict=True))
    assert len([one for one in asked if one.startswith("SELECT")]) == 1

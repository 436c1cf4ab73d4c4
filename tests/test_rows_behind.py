"""Fruit of rows behind are told by what is usual in the walk."""

from __future__ import annotations

from dataclasses import replace

from fruitvision.domain import Doubt, Fruit, MeasuredPhoto
from fruitvision.rows_behind import BEHIND_BELOW, without_rows_behind
from fruitvision.tree import sample_trees
from tests.records import fruit, measured, tree_photo

# Scale of the drawn photos, mm per px.
MM_PER_PX = 1.4


def of_size(photo_id: str, *sizes_mm: float) -> MeasuredPhoto:
    def one(number: int, size_mm: float) -> Fruit:
        sized = fruit(number, photo_id=photo_id, diameter_mm=size_mm)
        return replace(sized, diameter_px=size_mm / MM_PER_PX)

    return measured(photo_id, [one(number, size) for number, size in enumerate(sizes_mm, start=1)])


USUAL = [of_size(name, 80.0, 78.0, 82.0, 60.0) for name in "abc"]


def test_a_tree_without_fruit_of_its_own_does_not_count_the_row_behind() -> None:
    bare = of_size("d", 42.0, 38.0, 40.0, 76.0)
    *others, found = without_rows_behind([*USUAL, bare])
    assert others == USUAL
    assert [one.on_this_row for one in found.fruit] == [False, False, False, True]
    assert [one.diameter_mm for one in found.fruit] == [None, None, None, 76.0]
    assert all(Doubt.NOT_SIZED in one.doubts for one in found.fruit[:3])
    assert Doubt.ROW_BEHIND in found.doubts


def test_the_limit_is_a_share_of_the_middle_photos_upper_quartile() -> None:
    # Upper quartile of 60, 78, 80 and 82 mm: 80.5 mm.
    for share, stays in ((BEHIND_BELOW + 0.01, True), (BEHIND_BELOW - 0.01, False)):
        *_, found = without_rows_behind([*USUAL, of_size("d", share * 80.5)])
        assert found.fruit[0].on_this_row is stays


def test_without_scale_or_with_few_photos_nothing_is_left_out() -> None:
    bare = of_size("d", 42.0, 38.0, 40.0)
    no_scale = replace(bare, scale=None)
    assert without_rows_behind([*USUAL, no_scale]) == (*USUAL, no_scale)
    assert without_rows_behind([USUAL[0], bare]) == (USUAL[0], bare)


def test_a_walks_trees_are_counted_without_the_row_behind() -> None:
    photos = {photo.photo.photo_id: photo for photo in [*USUAL, of_size("d", 42.0, 38.0, 76.0)]}
    walk = [tree_photo(place, "A", name) for place, name in enumerate("abcd", start=1)]
    trees, _ = sample_trees(walk, photos)
    assert [tree.visible_count for tree in trees] == [4, 4, 4, 1]
    assert trees[3].diameters_mm == (76.0,)
    assert [Doubt.ROW_BEHIND in tree.doubts for tree in trees] == [False, False, False, True]

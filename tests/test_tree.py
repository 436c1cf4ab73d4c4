"""Photos of faces become trees, and photos of days become walks."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fruitvision.domain import DepthGrade, Doubt, Protocol, Reference
from fruitvision.tree import sample_trees, split_walks
from tests.records import WALK, fruit, measured, tree_photo


def test_two_faces_are_summed_and_fruit_behind_left_out() -> None:
    photos = {
        "a": measured("a", [fruit(1), fruit(2, diameter_mm=None), fruit(3, on_this_row=False)]),
        "b": measured("b", [fruit(1, diameter_mm=66.0)]),
    }
    trees, doubts = sample_trees([tree_photo(4, "A", "a"), tree_photo(4, "B", "b")], photos)
    assert [tree.visible_count for tree in trees] == [3]
    assert trees[0].diameters_mm == (70.0, 66.0)
    assert trees[0].protocol is Protocol.TWO_FACES
    assert doubts == ()


def test_a_tree_that_lacks_a_face_is_left_out_not_counted_at_half() -> None:
    photos = {name: measured(name, [fruit(1)]) for name in "abc"}
    walk = [tree_photo(1, "A", "a"), tree_photo(1, "B", "b"), tree_photo(2, "A", "c")]
    trees, doubts = sample_trees(walk, photos)
    assert [tree.tree.position for tree in trees] == [1]
    assert doubts == (Doubt.FACE_MISSING,)


def test_one_face_everywhere_is_a_protocol_of_its_own() -> None:
    photos = {name: measured(name, [fruit(1)]) for name in "ab"}
    trees, _ = sample_trees([tree_photo(1, "A", "a"), tree_photo(2, "A", "b")], photos)
    assert {tree.protocol for tree in trees} == {Protocol.ONE_FACE}
    assert len(trees) == 2


def test_a_photo_that_could_not_be_measured_counts_as_not_taken() -> None:
    trees, _ = sample_trees([tree_photo(1, "A", "gone")], {})
    assert trees == ()


def test_a_blurred_photo_is_not_used() -> None:
    blurred = replace(measured("a", [fruit(1)]), doubts=(Doubt.BLURRED,))
    trees, doubts = sample_trees(
        [tree_photo(1, "A", "a"), tree_photo(2, "A", "b")], {"a": blurred, "b": measured("b")}
    )
    assert [tree.tree.position for tree in trees] == [2]
    assert trees[0].visible_count == 0
    assert doubts == (Doubt.FACE_MISSING,)


def test_heights_are_told_from_the_one_marker_of_each_photo_the_sized_fruit_first() -> None:
    marker = Reference(
        marker_id=7,
        side_mm=150.0,
        corners_px=((0.0, 950.0), (100.0, 950.0), (100.0, 1050.0), (0.0, 1050.0)),
        side_px=100.0,
        tilt_deg=0.0,
        mm_per_px=1.5,
        mm_per_px_error=0.01,
    )
    low = replace(fruit(4), centre_y_px=1100.0)
    faces = {
        "a": measured("a", [fruit(1, diameter_mm=None), fruit(2), fruit(3, on_this_row=False)]),
        "b": measured("b", [low]),
    }
    walk = [tree_photo(4, "A", "a"), tree_photo(4, "B", "b")]
    seen = {name: replace(photo, references=(marker,)) for name, photo in faces.items()}
    (tree,), _ = sample_trees(walk, seen)
    # Fruit lie at 200 px and 1,100 px, the marker at 1,000 px, at 1.4 mm a px.
    assert tree.above_marker_mm == pytest.approx((1120.0, -140.0, 1120.0))
    assert tree.diameters_mm == (70.0, 70.0)
    tilted = replace(marker, doubts=(Doubt.MARKER_TILTED,))
    for markers in ((), (tilted,), (marker, marker)):
        other = {**seen, "b": replace(seen["b"], references=markers)}
        (tree,), _ = sample_trees(walk, other)
        assert tree.above_marker_mm == ()
        assert tree.visible_count == 3


def test_photos_of_two_visits_are_two_walks_and_a_rainy_day_is_none() -> None:
    days = [WALK - timedelta(days=21), WALK - timedelta(days=20), WALK - timedelta(days=1), WALK]
    photos = [tree_photo(i, "A", str(i), walked_on=day) for i, day in enumerate(days, 1)]
    walks = split_walks(photos)
    assert [[photo.photo_id for photo in walk] for walk in walks] == [["1", "2"], ["3", "4"]]


def test_of_two_places_the_first_counts_and_of_two_days_the_last() -> None:
    twin = ("a", "f001")
    shared = replace(fruit(1, photo_id="b"), same_as=twin, depth_grade=DepthGrade.TWO_VIEWS)
    photos = {
        "a": measured("a", [fruit(1), fruit(2)]),
        "b": measured("b", [shared, fruit(2, photo_id="b", diameter_mm=64.0)]),
        "old": measured("old", [fruit(number) for number in range(1, 6)]),
    }
    first, second = tree_photo(4, "A", "a"), replace(tree_photo(4, "A", "b"), place=2)
    earlier = tree_photo(4, "A", "old", walked_on=WALK - timedelta(days=3))
    for walk in ([first, second, earlier], [earlier, second, first]):
        (tree,), doubts = sample_trees(walk, photos)
        assert tree.visible_count == 2
        assert tree.diameters_mm == (70.0, 70.0, 64.0)
        assert doubts == ()


def test_a_first_photo_that_is_blurred_leaves_the_count_to_the_second() -> None:
    photos = {
        "a": replace(measured("a", [fruit(1)]), doubts=(Doubt.BLURRED,)),
        "b": measured("b", [fruit(1), fruit(2), fruit(3)]),
    }
    walk = [tree_photo(4, "A", "a"), replace(tree_photo(4, "A", "b"), place=2)]
    (tree,), _ = sample_trees(walk, photos)
    assert tree.visible_count == 3


def test_a_second_photo_that_shares_no_fruit_with_the_first_adds_nothing() -> None:
    photos = {"a": measured("a", [fruit(1)]), "b": measured("b", [fruit(1), fruit(2)])}
    walk = [tree_photo(4, "A", "a"), replace(tree_photo(4, "A", "b"), place=2)]
    (tree,), _ = sample_trees(walk, photos)
    assert tree.visible_count == len(tree.diameters_mm) == 1

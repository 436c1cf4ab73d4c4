"""Photos of faces become trees, and photos of days become walks."""

from dataclasses import replace
from datetime import timedelta

from fruitvision.domain import Doubt, Protocol
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


def test_photos_of_two_visits_are_two_walks_and_a_rainy_day_is_none() -> None:
    days = [WALK - timedelta(days=21), WALK - timedelta(days=20), WALK - timedelta(days=1), WALK]
    photos = [tree_photo(i, "A", str(i), walked_on=day) for i, day in enumerate(days, 1)]
    walks = split_walks(photos)
    assert [[photo.photo_id for photo in walk] for walk in walks] == [["1", "2"], ["3", "4"]]

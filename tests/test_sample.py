"""A tree with its fruit, the same tree without them, and numbers that are held packed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitvision.domain import FruitHeights, Packed, TreeCount, TreeSample
from fruitvision.records import from_json, to_json
from tests.records import tree

NUMBERS = st.lists(st.floats(allow_nan=False, allow_infinity=False), max_size=20)


@given(NUMBERS)
def test_packed_numbers_are_the_same_to_the_last_bit(numbers: list[float]) -> None:
    packed = Packed.of(numbers)
    assert packed.values.tolist() == numbers
    assert len(packed) == len(numbers)
    assert packed == Packed.of(tuple(numbers))
    assert hash(packed) == hash(Packed.of(np.array(numbers)))  # type: ignore[arg-type]
    assert from_json(Packed, to_json(packed)) == packed


def test_packed_numbers_take_8_bytes_each_and_cannot_be_written_to() -> None:
    packed = Packed.of([70.0] * 1000)
    assert len(packed.raw) == 8000
    assert packed != Packed.of([70.0] * 999)
    with pytest.raises(ValueError, match="read-only"):
        packed.values[0] = 1.0


@pytest.mark.parametrize("text", ['{"raw": "not base64!"}', '{"raw": 1}'])
def test_bytes_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"bytes|[Bb]ase64"):
        from_json(Packed, text)


def test_a_tree_says_how_many_fruit_were_sized_and_their_mean() -> None:
    sample = tree(1, 5, diameters_mm=[66.0, 70.0, 77.0])
    assert (sample.sized, sample.mean_mm) == (3, 71.0)
    other = replace(sample, diameters_mm=(60.0,), diameter_errors_mm=(3.0,))
    assert (other.sized, other.mean_mm) == (1, 60.0)
    assert (tree(1, 5).sized, tree(1, 5).mean_mm) == (0, None)


def test_a_tree_without_its_fruit_says_all_the_rest() -> None:
    sample = replace(tree(1, 5, diameters_mm=[66.0, 70.0]), trees=2, vigour=1.5, face_counts=(3, 2))
    count = sample.count
    assert type(count) is TreeCount
    assert count == TreeCount(
        tree=sample.tree,
        walked_on=sample.walked_on,
        protocol=sample.protocol,
        visible_count=5,
        trees=2,
        vigour=1.5,
        face_counts=(3, 2),
        sized=2,
        mean_mm=68.0,
    )
    assert (count.visible_per_tree, count.certain_per_tree) == (2.5, 1.5)
    assert not hasattr(count, "diameters_mm")


def test_a_tree_comes_back_from_json_with_its_fruit() -> None:
    sample = replace(tree(1, 3, diameters_mm=[66.1, 70.3]), above_marker_mm=(1.0, -2.0, 3.0))
    assert from_json(TreeSample, to_json(sample)) == sample
    assert from_json(TreeCount, to_json(sample.count)) == sample.count


def test_heights_hold_all_fruit_with_the_sized_ones_first() -> None:
    sample = replace(tree(1, 3, diameters_mm=[66.0]), above_marker_mm=(10.0, 20.0, 30.0))
    assert sample.heights == FruitHeights(
        above_marker_mm=Packed.of([10.0, 20.0, 30.0]), diameters_mm=Packed.of([66.0])
    )
    assert tree(1, 3, diameters_mm=[66.0]).heights is None

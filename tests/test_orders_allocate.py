"""Orders filled from cells: against every way to fill them, on small cases."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fruitvision.orders.allocate import Wanted, allocation, fills, rooms

CELLS = 3
supplies = st.lists(st.integers(0, 3), min_size=CELLS, max_size=CELLS)
lines = st.builds(
    Wanted,
    cartons=st.integers(1, 3),
    cells=st.sets(st.integers(0, CELLS - 1)).map(lambda cells: tuple(sorted(cells))),
)
books = st.lists(lines, max_size=3)


def ways(supply: Sequence[int], wanted: Sequence[Wanted]) -> Iterator[tuple[int, ...]]:
    """What each line gets, for every allocation that there is."""
    if not wanted:
        yield ()
        return
    first, *others = wanted
    choices = [range(supply[c] + 1) if c in first.cells else (0,) for c in range(len(supply))]
    for taken in product(*choices):
        if sum(taken) <= first.cartons:
            rest = [have - took for have, took in zip(supply, taken, strict=True)]
            for more in set(ways(rest, others)):
                yield (sum(taken), *more)


@settings(max_examples=60, deadline=None)
@given(supplies, books)
def test_the_first_line_gets_all_it_can_and_all_lines_together_too(
    supply: list[int], wanted: list[Wanted]
) -> None:
    every = set(ways(supply, wanted))
    got = tuple(fills(supply, wanted).tolist())
    assert got == max(every)
    assert sum(got) == max(map(sum, every))


@settings(max_examples=60, deadline=None)
@given(supplies, books)
def test_a_carton_goes_to_one_line_and_from_a_cell_that_may_fill_it(
    supply: list[int], wanted: list[Wanted]
) -> None:
    taken = allocation(supply, wanted)
    assert taken.shape == (len(wanted), CELLS)
    assert (taken >= 0).all()
    assert (taken.sum(axis=0) <= supply).all()
    assert taken.sum(axis=1).tolist() == fills(supply, wanted).tolist()
    for one, of_line in zip(wanted, taken, strict=True):
        assert set(np.flatnonzero(of_line)) <= set(one.cells)


@settings(max_examples=60, deadline=None)
@given(supplies, books, st.sets(st.integers(0, CELLS - 1), min_size=1))
def test_room_is_what_one_line_more_could_get_after_all_others(
    supply: list[int], wanted: list[Wanted], cells: set[int]
) -> None:
    more = Wanted(cartons=sum(supply) or 1, cells=tuple(cells))
    assert rooms(supply, wanted, [tuple(cells)]) == [max(ways(supply, [*wanted, more]))[-1]]


def test_the_tightest_class_is_left_to_those_who_want_no_other() -> None:
    # 10 cartons of either class. The first line takes both, the second one class only.
    wide = Wanted(cartons=10, cells=(0, 1))
    tight = Wanted(cartons=10, cells=(0,))
    assert allocation([10, 10], [wide, tight]).tolist() == [[0, 10], [10, 0]]


def test_of_ways_that_fill_the_same_the_cheapest_is_taken() -> None:
    one = Wanted(cartons=4, cells=(0, 1), costs=(1.0, 0.5))
    assert allocation([4, 3], [one]).tolist() == [[1, 3]]


@pytest.mark.parametrize("count", [0, 1])
def test_nothing_to_fill_or_to_fill_from(count: int) -> None:
    wanted = [Wanted(cartons=5, cells=())] * count
    assert allocation([], wanted).shape == (count, 0)
    assert fills([], wanted).tolist() == [0] * count
    assert rooms([7], wanted, [(0,), ()]) == [7, 0]
    assert rooms([], wanted, [()]) == [0]


def test_a_large_book_comes_out_in_whole_cartons() -> None:
    rng = np.random.default_rng(8)
    supply = rng.integers(0, 4000, 96).tolist()
    wanted = [
        Wanted(
            cartons=int(rng.integers(1, 3000)),
            cells=tuple(sorted(rng.choice(96, 12, replace=False).tolist())),
            costs=tuple(rng.random(12)),
        )
        for _ in range(150)
    ]
    taken = allocation(supply, wanted)
    assert (taken.sum(axis=0) <= supply).all()
    # The largest flow, found by another method: what one line for everything leaves over.
    everything = [tuple(range(96))]
    assert [int(taken.sum())] == [
        of_all - left
        for of_all, left in zip(
            rooms(supply, (), everything), rooms(supply, wanted, everything), strict=True
        )
    ]

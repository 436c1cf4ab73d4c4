"""Which trees to walk to: every k-th on a serpentine, by stratum, half old and half new."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from fruitvision.domain import PlannedPlace, RegisteredTree, TreeId, TreeKind
from fruitvision.errors import FieldDataError
from fruitvision.sampling import WayIn, plan_walk, rows_of_positions, serpentine, way_into


def tree(row: int, position: int) -> TreeId:
    return TreeId("Mill", row, position)


def register(rows: int = 6, per_row: int = 50, low_rows: int = 0) -> list[RegisteredTree]:
    return [
        RegisteredTree(tree=tree(row, at), stratum="low" if row <= low_rows else "")
        for row in range(1, rows + 1)
        for at in range(1, per_row + 1)
    ]


def test_the_way_goes_up_one_row_and_down_the_next() -> None:
    path = serpentine([tree(1, 1), tree(1, 2), tree(2, 1), tree(2, 2), tree(3, 1)])
    assert path == (tree(1, 1), tree(1, 2), tree(2, 2), tree(2, 1), tree(3, 1))


def test_a_row_that_is_not_there_does_not_turn_the_way_round() -> None:
    # Rows 1, 4, 5 of a block: the walker comes out of row 1 at its far end and enters row 4 there.
    path = serpentine([tree(1, 1), tree(1, 2), tree(4, 1), tree(4, 2)])
    assert path[2:] == (tree(4, 2), tree(4, 1))


def test_every_kth_position_is_drawn_from_a_random_start() -> None:
    plan = plan_walk(register(), trees=10, seed=1)
    at = [index_on_the_way(place) for place in plan.places]
    # 300 positions and 10 trees: k is 30, whatever the start.
    assert set(np.diff(at)) == {30}
    starts = {
        index_on_the_way(plan_walk(register(), trees=10, seed=s).places[0]) for s in range(60)
    }
    assert min(starts) < 5
    assert max(starts) > 24


def index_on_the_way(place: PlannedPlace) -> int:
    row, at = place.tree.row, place.tree.position
    return (row - 1) * 50 + (at - 1 if row % 2 else 50 - at)


def test_every_position_is_drawn_equally_often() -> None:
    # 7 of 30 positions: k is no whole number, and still each is drawn with 7/30.
    small = register(rows=3, per_row=10)
    drawn = Counter(
        place.tree for seed in range(3000) for place in plan_walk(small, trees=7, seed=seed).places
    )
    assert len(drawn) == 30
    share = np.array(list(drawn.values())) / 3000
    # Standard error of each share is 0.0077; four of them.
    assert np.abs(share - 7 / 30).max() < 0.031


def test_steps_count_positions_from_the_last_tree_of_the_same_row() -> None:
    plan = plan_walk(register(), trees=30, seed=4)
    for before, after in zip(plan.places, plan.places[1:], strict=False):
        if before.tree.row == after.tree.row:
            assert after.steps == abs(after.tree.position - before.tree.position)
        else:
            way_in = after.tree.position if after.tree.row % 2 else 51 - after.tree.position
            assert after.steps == way_in


def test_it_is_told_from_which_end_a_row_is_entered() -> None:
    # Three rows of 50, the way up row 1, down row 2, up row 3.
    rows = rows_of_positions(tree(1, 1).block_id, (50, 54, 50))
    assert way_into(tree(1, 21), rows) == WayIn(end=1, far=False, steps=21)
    assert way_into(tree(2, 34), rows) == WayIn(end=54, far=True, steps=21)
    assert way_into(tree(3, 5), rows) == WayIn(end=1, far=False, steps=5)
    assert way_into(tree(4, 5), rows) is None
    # A pollinizer at the end is no place of the walk, as at the draw.
    pollinizer = [replace(one, kind=TreeKind.POLLINIZER) for one in rows if one.tree == tree(2, 54)]
    without = [one for one in rows if one.tree != tree(2, 54)] + pollinizer
    assert way_into(tree(2, 34), without) == WayIn(end=53, far=True, steps=20)


def test_strata_get_trees_in_proportion_and_two_at_least() -> None:
    plan = plan_walk(register(rows=6, low_rows=1), trees=12, seed=3)
    by_stratum = Counter(place.stratum for place in plan.places)
    assert by_stratum == {"low": 2, "": 10}
    tiny = [*register(), RegisteredTree(tree=tree(7, 1), stratum="slope")]
    tiny.append(RegisteredTree(tree=tree(7, 2), stratum="slope"))
    assert Counter(p.stratum for p in plan_walk(tiny, trees=10, seed=3).places)["slope"] == 2


def test_gaps_are_drawn_and_pollinizers_are_not() -> None:
    # Gaps audit the register; a pollinizer belongs to another forecast.
    mixed = [
        RegisteredTree(
            tree=tree(1, at),
            kind=TreeKind.MISSING
            if at % 3 == 0
            else TreeKind.POLLINIZER
            if at % 7 == 0
            else TreeKind.BEARING,
        )
        for at in range(1, 85)
    ]
    plan = plan_walk(mixed, trees=40, seed=5)
    kinds = {place.kind for place in plan.places}
    assert kinds == {TreeKind.MISSING, TreeKind.BEARING}
    assert sum(place.kind is TreeKind.BEARING for place in plan.places) in (39, 40, 41)


def test_a_later_walk_keeps_half_of_the_trees_and_draws_half_anew() -> None:
    first = plan_walk(register(), trees=20, seed=1)
    earlier = [place.tree for place in first.places]
    second = plan_walk(register(), trees=20, seed=2, earlier=earlier)
    again = [place for place in second.places if place.repeat]
    assert len(again) == 10
    assert {place.tree for place in again} <= set(earlier)
    assert not {place.tree for place in second.places if not place.repeat} & set(earlier)
    # Kept trees lie all over the block, as the first ones did.
    assert len({place.tree.row for place in again}) >= 5


def test_hand_count_trees_are_spread_over_the_walk() -> None:
    plan = plan_walk(register(), trees=20, seed=1, hand_counts=5)
    numbers = [index for index, place in enumerate(plan.places) if place.count_by_hand]
    assert len(numbers) == 5
    assert max(np.diff(numbers)) <= 5


def test_a_gap_is_not_a_hand_count_tree() -> None:
    half = [
        RegisteredTree(tree=tree(1, at), kind=TreeKind.BEARING if at % 3 else TreeKind.MISSING)
        for at in range(1, 81)
    ]
    plan = plan_walk(half, trees=20, seed=2, hand_counts=20)
    counted = [place for place in plan.places if place.count_by_hand]
    assert counted
    assert all(place.kind is TreeKind.BEARING for place in counted)


def test_the_same_seed_gives_the_same_walk() -> None:
    assert plan_walk(register(), trees=9, seed=8) == plan_walk(register(), trees=9, seed=8)
    assert plan_walk(register(), trees=9, seed=8) != plan_walk(register(), trees=9, seed=9)


def test_a_block_without_a_register_is_planned_from_the_lengths_of_its_rows() -> None:
    plain = rows_of_positions("Mill", [3, 2])
    assert [item.tree for item in plain] == [
        tree(1, 1), tree(1, 2), tree(1, 3), tree(2, 1), tree(2, 2)
    ]  # fmt: skip
    with pytest.raises(FieldDataError, match="Row 2 of Mill has -1"):
        rows_of_positions("Mill", [3, -1])


@pytest.mark.parametrize("trees", [0, -3])
def test_no_trees_are_refused(trees: int) -> None:
    with pytest.raises(FieldDataError, match="at least 1"):
        plan_walk(register(), trees=trees, seed=1)


def test_more_trees_than_stand_there_are_refused() -> None:
    with pytest.raises(FieldDataError, match="300 bearing"):
        plan_walk(register(), trees=301, seed=1)


def test_an_empty_register_is_refused() -> None:
    with pytest.raises(FieldDataError, match="no bearing"):
        plan_walk([], trees=5, seed=1)


def test_two_blocks_in_one_register_are_refused() -> None:
    two = [*register(), RegisteredTree(tree=TreeId("Hill", 1, 1))]
    with pytest.raises(FieldDataError, match="Hill, Mill"):
        plan_walk(two, trees=5, seed=1)


def test_fewer_than_no_hand_counts_are_refused() -> None:
    register = rows_of_positions("Hill", (20,))
    with pytest.raises(FieldDataError, match="-1 trees can't be counted"):
        plan_walk(register, trees=4, seed=1, hand_counts=-1)

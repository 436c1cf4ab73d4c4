"""The tree register: equivalents, strata, spacing, and what a walk found against it."""

from dataclasses import replace
from datetime import timedelta

import pytest
from scipy import stats

from fruitvision.domain import Block, RegisteredTree, TreeId, TreeKind, VisitedPlace
from fruitvision.errors import FieldDataError
from fruitvision.register import (
    check_register,
    pollinizers_of,
    register_notes,
    strata_of,
    trees_by_spacing,
)
from tests.records import WALK

BLOCK = Block(block_id="Hill", variety="Gala", positions=3000, missing=90, pollinizers=120)


def place(position: int, kind: TreeKind = TreeKind.BEARING, **more: object) -> RegisteredTree:
    row, at = divmod(position, 100)
    return RegisteredTree(tree=TreeId("Hill", row + 1, at + 1), kind=kind, **more)  # type: ignore[arg-type]


def rows(*, missing: int, pollinizers: int, positions: int = 3000) -> list[RegisteredTree]:
    """A register of rows of 100: first the gaps, then the pollinizers, then bearing trees."""
    kinds = [TreeKind.MISSING] * missing + [TreeKind.POLLINIZER] * pollinizers
    kinds += [TreeKind.BEARING] * (positions - len(kinds))
    return [
        place(i, kind, variety="Braeburn" if kind is TreeKind.POLLINIZER else "")
        for i, kind in enumerate(kinds)
    ]


def visits(register: list[RegisteredTree], *, missing: int, of: int) -> list[VisitedPlace]:
    """`of` bearing places of the register, the first `missing` of them found empty."""
    bearing = [tree.tree for tree in register if tree.kind is TreeKind.BEARING]
    return [
        VisitedPlace(
            tree=tree,
            visited_on=WALK,
            found=TreeKind.MISSING if i < missing else TreeKind.BEARING,
        )
        for i, tree in enumerate(bearing[:: len(bearing) // of][:of])
    ]


@pytest.mark.parametrize("register", [[], rows(missing=90, pollinizers=120)], ids=["none", "rows"])
def test_scenario_2_three_thousand_places_bear_2790_trees(register: list[RegisteredTree]) -> None:
    (stratum,) = strata_of(BLOCK, register)
    assert stratum.bearing_trees == 2790
    assert stratum.positions == 3000
    (line,) = pollinizers_of(BLOCK, register)
    assert line.trees == 120
    assert line.variety == ("Braeburn" if register else "")


def test_scenario_3_two_hectares_at_3_5_by_1_m_hold_5714_trees() -> None:
    block = Block(
        block_id="Hill",
        variety="Gala",
        positions=5714,
        area_ha=2.0,
        row_spacing_m=3.5,
        tree_spacing_m=1.0,
    )
    assert trees_by_spacing(block) == 5714
    assert register_notes(block, []) == ()
    assert trees_by_spacing(BLOCK) is None


def test_more_trees_than_the_ground_holds_are_remarked_on() -> None:
    block = replace(BLOCK, area_ha=0.5, row_spacing_m=3.5, tree_spacing_m=1.0)
    (note,) = register_notes(block, [])
    assert note.startswith("Hill: 3,000 positions, but area and spacing make 1,429 (+110 %)")


@pytest.mark.parametrize(("row", "tree"), [(0.0, 1.0), (3.5, -1.0)])
def test_a_spacing_of_nothing_is_refused(row: float, tree: float) -> None:
    block = replace(BLOCK, area_ha=2.0, row_spacing_m=row, tree_spacing_m=tree)
    with pytest.raises(FieldDataError, match="has no area"):
        trees_by_spacing(block)


def test_replants_count_by_their_bearing_share_and_strata_add_up() -> None:
    register = [
        place(0, stratum="low"),
        place(1, TreeKind.REPLANT, stratum="low", bearing_share=0.4),
        place(2, TreeKind.MISSING, stratum="low"),
        place(3, stratum="high"),
        place(4, TreeKind.POLLINIZER, stratum="high"),
    ]
    block = replace(BLOCK, positions=5)
    high, low = strata_of(block, register)
    assert (high.name, high.bearing_trees, high.pollinizers) == ("high", 1.0, 1)
    assert (low.name, low.bearing_trees, low.replants, low.missing) == ("low", 1.4, 1, 1)


def test_block_and_register_that_disagree_are_said_or_refused() -> None:
    register = rows(missing=92, pollinizers=120)
    assert register_notes(BLOCK, register) == (
        "Hill: the block has 90 as missing, its register lists 92. The register is used.",
    )
    with pytest.raises(FieldDataError, match="the register lists 2,999 places, the block has 3,0"):
        strata_of(BLOCK, register[:-1])


@pytest.mark.parametrize(
    ("register", "words"),
    [
        ([place(0), place(0)], "Hill row 1 tree 1 is in the register twice"),
        ([place(0), place(1, bearing_share=1.2)], r"bearing share of 1\.2"),
        ([place(0), RegisteredTree(tree=TreeId("Mill", 1, 2))], "a place of another block: Mill"),
        ([place(0, TreeKind.MISSING), place(1, bearing_share=0.0)], "has no bearing tree"),
    ],
)
def test_a_register_that_cannot_be_is_refused(register: list[RegisteredTree], words: str) -> None:
    with pytest.raises(FieldDataError, match=words):
        strata_of(replace(BLOCK, positions=2), register)


def test_a_block_without_trees_is_refused() -> None:
    with pytest.raises(FieldDataError, match="no bearing tree: 10 positions, 6 missing, 4 poll"):
        strata_of(replace(BLOCK, positions=10, missing=6, pollinizers=4), [])


def test_scenario_31_found_4_of_60_missing_where_the_register_says_2_percent() -> None:
    register = rows(missing=60, pollinizers=0)
    check = check_register(BLOCK, register, visits(register, missing=4, of=60))
    assert "found 4 of 60 missing = 6.7 %, register says 2 %" in check.words
    # P(4 or more of 60 at 2 %) = 1 − 0.2976 − 0.3644 − 0.2194 − 0.0866 = 0.0322.
    assert check.chance == pytest.approx(float(stats.binom.sf(3, 60, 0.02)), abs=1e-12)
    assert check.chance == pytest.approx(0.0322, abs=5e-4)
    assert check.differs
    # 4 of 60 standing trees are gone: 2,940 (1 − 4/60) = 2,744.
    assert check.register_trees == 2940
    assert check.bearing_trees == pytest.approx(2744)
    assert check.bearing_trees_error == pytest.approx(2940 * 0.035, rel=0.1)


def test_one_gap_more_may_be_chance_and_the_register_stands() -> None:
    register = rows(missing=60, pollinizers=0)
    check = check_register(BLOCK, register, visits(register, missing=2, of=60))
    assert not check.differs
    assert check.bearing_trees == 2940
    assert check.words.endswith("The difference may be chance.")
    # Between the error of an unchecked register (1.2 %) and nothing.
    assert 0 < check.bearing_trees_error < 0.012 * 2940


def test_a_longer_walk_without_differences_makes_the_register_surer() -> None:
    register = rows(missing=60, pollinizers=0)
    errors = [
        check_register(BLOCK, register, visits(register, missing=0, of=n)).bearing_trees_error
        for n in (1, 10, 60, 300)
    ]
    assert errors == sorted(errors, reverse=True)
    assert errors[0] < check_register(BLOCK, register, []).bearing_trees_error == 0.012 * 2940


def test_a_walk_to_every_place_knows_the_trees() -> None:
    # 3,000 places of which the register calls 60 missing; all are visited.
    register = rows(missing=60, pollinizers=0)
    right = [VisitedPlace(tree=tree.tree, visited_on=WALK, found=tree.kind) for tree in register]
    check = check_register(BLOCK, register, right)
    assert (check.differs, check.bearing_trees, check.bearing_trees_error) == (False, 2940, 0)
    # One gap more is well within chance (61 of 3,000 at 2 %), but nothing was left to chance.
    gone = replace(right[-1], found=TreeKind.MISSING)
    check = check_register(BLOCK, register, [*right[:-1], gone])
    assert (check.differs, check.bearing_trees, check.bearing_trees_error) == (True, 2939, 0)


def test_without_a_register_the_blocks_own_share_is_held_against_the_walk() -> None:
    found = [VisitedPlace(tree=TreeId("Hill", 1, i), visited_on=WALK,
                          found=TreeKind.MISSING if i < 9 else TreeKind.BEARING)
             for i in range(60)]  # fmt: skip
    check = check_register(BLOCK, [], found)
    assert "found 9 of 60 missing = 15.0 %, register says 3 %" in check.words
    assert check.differs
    assert check.bearing_trees == pytest.approx(2790 - 3000 * (0.15 - 0.03))


def test_gaps_that_bear_again_raise_the_number_of_trees() -> None:
    register = rows(missing=300, pollinizers=0)
    gaps = [VisitedPlace(tree=tree.tree, visited_on=WALK, found=TreeKind.REPLANT)
            for tree in register[:300:20]]  # fmt: skip
    check = check_register(BLOCK, register, gaps + visits(register, missing=0, of=60))
    assert check.differs
    # All 15 visited gaps hold a replant, each taken for half a tree: 2,700 + 300/2.
    assert check.bearing_trees == pytest.approx(2850)


def test_the_last_visit_to_a_place_counts() -> None:
    register = rows(missing=60, pollinizers=0)
    once = visits(register, missing=4, of=60)
    earlier = [
        replace(visit, visited_on=WALK - timedelta(days=30), found=TreeKind.BEARING)
        for visit in once
    ]
    check = check_register(BLOCK, register, once + earlier)
    assert (check.visited, check.missing_found) == (60, 4)


def test_a_visited_place_that_the_register_does_not_know_is_refused() -> None:
    register = rows(missing=60, pollinizers=0)
    stray = VisitedPlace(tree=TreeId("Hill", 99, 1), visited_on=WALK, found=TreeKind.BEARING)
    with pytest.raises(FieldDataError, match="visited Hill row 99 tree 1, which is not in the"):
        check_register(BLOCK, register, [stray])

"""Sampled trees to the block, by stratum, with numbers worked out by hand."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from fruitvision.block import Background, estimate_block
from fruitvision.domain import (
    Block,
    BlockEstimate,
    Doubt,
    HandCount,
    Protocol,
    RegisteredTree,
    TreeId,
    TreeKind,
    TreeSample,
    VisitedPlace,
)
from fruitvision.errors import FieldDataError
from fruitvision.hidden import LikeBlock
from fruitvision.hidden_factor import factor_words
from fruitvision.settings import Settings
from fruitvision.survey import Sampled, estimate_from, with_tails
from tests.records import BLOCK_ID, WALK, block, hand_count, tree

SETTINGS = Settings()


def test_scenario_23_worked_example_of_hidden_fruit() -> None:
    # Σ visible 480, Σ hand 720 on ten trees: 1.50; mean visible 56 on twenty trees: 84 per tree;
    # times 2,790 bearing trees: 234,360 (worked example, our arithmetic).
    seen = [40, 44, 46, 47, 48, 48, 49, 50, 52, 56]
    counted = [62, 65, 70, 69, 73, 72, 74, 74, 78, 83]
    rest = [64] * 10
    trees = [tree(i, v) for i, v in enumerate(seen + rest)]
    counts = [hand_count(i, c) for i, c in enumerate(counted)]
    assert sum(seen) == 480
    assert sum(counted) == 720
    farm_block = Block(
        block_id="Gala North", variety="Gala", positions=3000, missing=90, pollinizers=120
    )
    estimate = estimate_block(farm_block, trees, counts, [], SETTINGS)
    assert farm_block.bearing_trees == 2790
    assert estimate.factor is not None
    assert estimate.factor.factor == pytest.approx(1.5)
    assert estimate.fruit_per_tree_mean == pytest.approx(84)
    assert estimate.fruit_total.p50 == pytest.approx(234_360)
    assert estimate.fruit_total.p10 < 234_360 < estimate.fruit_total.p90


def test_scenario_28_without_hand_counts_visible_fruit_only() -> None:
    estimate = estimate_block(block(), [tree(1, 40), tree(2, 50)], [], [], SETTINGS)
    assert estimate.factor is None
    assert estimate.fruit_per_tree_mean == 45
    assert {Doubt.FEW_TREES, Doubt.NO_HAND_COUNTS, Doubt.NO_SIZES} <= set(estimate.doubts)


def test_without_hand_counts_the_detectors_error_of_counts_does_not_average_out() -> None:
    # 30 trees of 40 and 50 by turns: the mean of 45 has a sampling error of 5.09 / sqrt(30) = 0.93,
    # or 0.90 with 20 % of 150 trees seen less; 10 % of 45 is 4.5 whatever the number of trees.
    trees = [tree(i, 40 + 10 * (i % 2)) for i in range(1, 31)]
    small = replace(block(), positions=150, missing=0, pollinizers=0)
    sure = estimate_block(small, trees, [], [], SETTINGS)
    unsure = estimate_block(small, trees, [], [], SETTINGS, Background(count_error=0.10))
    assert unsure.fruit_per_tree_mean == sure.fruit_per_tree_mean == pytest.approx(45)
    added = (unsure.fruit_per_tree_error**2 - sure.fruit_per_tree_error**2) ** 0.5
    assert added == pytest.approx(4.5, rel=0.01)
    assert unsure.sampling_error == pytest.approx(sure.sampling_error)
    # The block's own hand counts are of the same photos: what is counted too low is in the factor.
    counts = [hand_count(i, 60 + 15 * (i % 2)) for i in range(1, 31)]
    corrected = estimate_block(small, trees, counts, [], SETTINGS, Background(count_error=0.10))
    assert corrected == estimate_block(small, trees, counts, [], SETTINGS)


def test_one_hand_counted_tree_gives_a_very_wide_range() -> None:
    trees = [tree(i, v) for i, v in enumerate([38, 40, 42, 41, 39, 40, 43, 37])]
    estimate = estimate_block(block(), trees, [hand_count(1, 60)], [], SETTINGS)
    width = estimate.fruit_per_tree.p90 / estimate.fruit_per_tree.p50 - 1
    assert estimate.fruit_per_tree_mean == pytest.approx(60)
    assert width > 0.25


def test_no_fruit_at_all_is_zero_fruit() -> None:
    trees = [tree(i, 0) for i in range(3)]
    estimate = estimate_block(block(), trees, [hand_count(1, 0)], [], SETTINGS)
    assert estimate.fruit_total.p50 == 0


def test_no_tree_or_too_many_trees_are_refused() -> None:
    with pytest.raises(FieldDataError, match="No tree of Gala North"):
        estimate_block(block(), [], [], [], SETTINGS)
    with pytest.raises(FieldDataError, match="3 trees were photographed, but the register has 2"):
        estimate_block(block(trees=2), [tree(i, 4) for i in range(3)], [], [], SETTINGS)


# ---------------------------------------------------------------- strata


def place(
    row: int,
    position: int,
    *,
    stratum: str = "",
    kind: TreeKind = TreeKind.BEARING,
    share: float = 1.0,
) -> RegisteredTree:
    return RegisteredTree(
        tree=TreeId(BLOCK_ID, row, position), stratum=stratum, kind=kind, bearing_share=share
    )  # fmt: skip


def sampled(
    row: int, position: int, visible: int, diameters_mm: tuple[float, ...] = ()
) -> TreeSample:
    return TreeSample(
        tree=TreeId(BLOCK_ID, row, position),
        walked_on=WALK,
        protocol=Protocol.TWO_FACES,
        visible_count=visible,
        diameters_mm=diameters_mm,
        diameter_errors_mm=(3.0,) * len(diameters_mm),
    )


def counted(trees: list[TreeSample], factor: float) -> list[HandCount]:
    return [
        HandCount(tree=one.tree, fruit_count=round(factor * one.visible_count), counted_on=WALK)
        for one in trees
    ]


# 28 rows of 100: rows 1 to 8 are low ground, the others high.
REGISTER = tuple(
    place(row, position, stratum="low" if row <= 8 else "high")
    for row in range(1, 29)
    for position in range(1, 101)
)
LOW = [sampled(row, 12 * row, visible) for row, visible in enumerate((24, 30, 36, 30), 1)]
HIGH = [sampled(10 + 4 * i, 30 + 12 * i, load) for i, load in enumerate((80, 90, 100, 85, 95))]
HILL = Block(block_id=BLOCK_ID, variety="Gala", positions=2800)


def estimate(
    trees: list[TreeSample],
    counts: list[HandCount] | None = None,
    register: tuple[RegisteredTree, ...] = REGISTER,
    **background: object,
) -> BlockEstimate:
    return estimate_block(
        replace(HILL, positions=len(register) or 2800),
        trees,
        counts or [],
        [],
        SETTINGS,
        Background(register=register, **background),  # type: ignore[arg-type]
    )


def test_scenario_30_low_and_high_ground_weigh_by_their_trees() -> None:
    # 800 trees with mean 30, 2,000 with mean 90: 72.9 a tree by weights, not 60 or 63.
    found = estimate(LOW + HIGH, counted(LOW + HIGH, 1.0))
    assert found.fruit_per_tree_mean == pytest.approx((800 * 30 + 2000 * 90) / 2800)
    assert found.fruit_per_tree_mean == pytest.approx(72.9, abs=0.05)
    assert found.visible_per_tree == pytest.approx(72.9, abs=0.05)
    high, low = found.strata
    assert (low.name, low.bearing_trees, low.sampled) == ("low", 800, 4)
    assert low.fruit_per_tree.p50 == pytest.approx(30)
    assert high.fruit_per_tree.p50 == pytest.approx(90)
    assert found.fruit_total.p50 == pytest.approx(204_000)


def test_a_stratum_without_a_tree_is_assumed_to_bear_as_the_others_and_said() -> None:
    with_both = estimate(LOW + HIGH, counted(LOW + HIGH, 1.0))
    found = estimate(HIGH, counted(HIGH, 1.0))
    assert Doubt.STRATUM_NOT_SAMPLED in found.doubts
    assert Doubt.STRATUM_NOT_SAMPLED not in with_both.doubts
    assert found.fruit_per_tree_mean == pytest.approx(90)
    # Half of 90 for 800 of 2,800 trees: 12.9 fruit of standard error at least.
    assert found.fruit_per_tree_error > 0.5 * 90 * 800 / 2800
    low = found.strata[1]
    assert (low.sampled, low.fruit_per_tree.p50) == (0, pytest.approx(90))
    assert low.fruit_per_tree.p10 < 30 < low.fruit_per_tree.p90


def test_one_tree_in_a_stratum_gets_the_assumed_spread_and_is_said() -> None:
    found = estimate([*LOW[:1], *HIGH], counted(HIGH, 1.0))
    assert Doubt.ONE_TREE in found.doubts
    wide = found.strata[1].fruit_per_tree
    assert (wide.p90 - wide.p50) / wide.p50 > 0.30


def test_replants_count_by_their_bearing_share() -> None:
    # Two full trees with 60 and 80 fruit, a replant of share 0.5 with 35: 175/2.5 = 70 a full
    # tree; 3.5 full trees in the register: 245.
    register = (
        place(1, 1), place(1, 2), place(1, 3, kind=TreeKind.REPLANT, share=0.5), place(1, 4),
        place(1, 5, kind=TreeKind.MISSING),
    )  # fmt: skip
    trees = [sampled(1, 1, 60), sampled(1, 2, 80), sampled(1, 3, 35)]
    found = estimate(trees, counted(trees, 1.0), register)
    assert found.bearing_trees == pytest.approx(3.5)
    assert found.fruit_per_tree_mean == pytest.approx(70)
    assert found.fruit_total.p50 == pytest.approx(245)


@pytest.mark.parametrize(
    ("register", "words"),
    [
        ((place(1, 1), place(1, 2)), "row 1 tree 3 was photographed, but is not in the register"),
        (
            (place(1, 1), place(1, 2), place(1, 3, kind=TreeKind.POLLINIZER)),
            "row 1 tree 3 was photographed, but is pollinizer in the register",
        ),
        (
            (place(1, 1, share=0.0), place(1, 2, share=0.0), place(1, 3, share=0.0), place(1, 4)),
            "none of the photographed trees bears",
        ),
    ],
    ids=["unknown", "pollinizer", "bears nothing"],
)
def test_trees_that_the_register_denies_are_refused(
    register: tuple[RegisteredTree, ...], words: str
) -> None:
    trees = [sampled(1, position, 40) for position in (1, 2, 3)]
    with pytest.raises(FieldDataError, match=words):
        estimate(trees, register=register)


def test_fruit_of_a_stratum_count_by_its_trees_in_the_sizes() -> None:
    # Low ground 66 mm, high ground 74 mm, as many trees and photos of each: (8·66 + 20·74)/28 in
    # number of trees, twice the fruit on high ground: (800·10·66 + 2000·20·74)/(48,000).
    low = [sampled(row, 9, 10, (64.0, 68.0) * 5) for row in range(1, 5)]
    high = [sampled(row, 9, 20, (72.0, 76.0) * 10) for row in range(11, 15)]
    found = estimate(low + high).sizes
    assert found is not None
    assert found.mean_mm == pytest.approx((8000 * 66 + 40_000 * 74) / 48_000)


# ---------------------------------------------------------------- bad walks, said


def test_trees_that_are_all_equal_get_the_assumed_spread_and_are_said() -> None:
    register = tuple(place(row, at) for row in range(1, 10) for at in range(1, 101))
    found = estimate([sampled(row, 10 * row, 40) for row in range(1, 10)], register=register)
    assert Doubt.TREES_ALL_EQUAL in found.doubts
    # 30 % of 40 fruit, nine trees of 900.
    assert found.fruit_per_tree_error == pytest.approx(12 * (1 / 9 - 1 / 900) ** 0.5)


def test_one_tree_only_is_said_and_its_range_is_very_wide() -> None:
    found = estimate_block(block(), [tree(1, 40)], [hand_count(1, 60)], [], SETTINGS)
    assert {Doubt.ONE_TREE, Doubt.FEW_TREES, Doubt.FEW_HAND_COUNTS} <= set(found.doubts)
    assert found.fruit_per_tree.p90 > 1.5 * found.fruit_per_tree.p50


def test_scenario_32_photos_from_rows_1_and_2_of_24_are_not_spread() -> None:
    # Same counts; once all over 24 rows, once in the first two.
    register = tuple(place(row, at) for row in range(1, 25) for at in range(1, 101))
    loads = [62, 75, 80, 58, 91, 70, 66, 84, 77, 73, 69, 88, 60, 79, 72, 81, 65, 76, 90, 68]
    spread = [sampled(1 + i % 24, 5 * i + 3, load) for i, load in enumerate(loads)]
    corner = [sampled(1 + i % 2, 5 * i + 3, load) for i, load in enumerate(loads)]
    good = estimate(spread, register=register)
    bad = estimate(corner, register=register)
    assert Doubt.NOT_SPREAD not in good.doubts
    assert Doubt.NOT_SPREAD in bad.doubts
    # Variance of rows 0.18/0.82 of that of trees, seen in 2 rows of 24.
    cv2 = float(np.var(loads, ddof=1)) / np.mean(loads) ** 2
    more = 0.18 / 0.82 * cv2 * (1 / 2 - 1 / 24) * np.mean(loads) ** 2
    assert bad.fruit_per_tree_error**2 == pytest.approx(good.fruit_per_tree_error**2 + more)


def test_photos_of_the_first_places_of_every_row_are_not_spread() -> None:
    register = tuple(place(row, at) for row in range(1, 13) for at in range(1, 101))
    trees = [sampled(row, 1 + row, 60 + row) for row in range(1, 13)]
    assert Doubt.NOT_SPREAD in estimate(trees, register=register).doubts


def test_without_a_register_twenty_trees_of_one_row_of_a_large_block_are_not_spread() -> None:
    trees = [tree(i, 40 + i) for i in range(1, 21)]
    found = estimate_block(block(trees=3000), trees, [], [], SETTINGS)
    assert Doubt.NOT_SPREAD in found.doubts
    small = estimate_block(block(trees=30), trees, [], [], SETTINGS)
    assert Doubt.NOT_SPREAD not in small.doubts


# ---------------------------------------------------------------- register and factor


def test_scenario_31_a_register_that_the_walk_denies_moves_the_total_and_is_said() -> None:
    visited = tuple(
        VisitedPlace(
            tree=one.tree,
            visited_on=WALK,
            found=TreeKind.MISSING if i < 4 else TreeKind.BEARING,
        )
        for i, one in enumerate(REGISTER[10::46][:60])
    )
    trees = LOW + HIGH
    found = estimate(trees, counted(trees, 1.5), visited=visited)
    assert Doubt.REGISTER_DIFFERS in found.doubts
    assert found.bearing_trees == pytest.approx(2800 * (1 - 4 / 60))
    assert found.bearing_trees is not None
    assert found.fruit_total.p50 == pytest.approx(found.bearing_trees * found.fruit_per_tree_mean)
    alone = estimate(trees, counted(trees, 1.5))
    assert alone.bearing_trees_error == pytest.approx(0.012 * 2800)
    width = (found.fruit_total.p90 - found.fruit_total.p10) / found.fruit_total.p50
    assert width > (alone.fruit_total.p90 - alone.fruit_total.p10) / alone.fruit_total.p50


def test_a_block_without_hand_counts_borrows_those_of_like_blocks() -> None:
    like = tuple(
        LikeBlock(
            block_id=name,
            trees=tuple(replace(tree(i, 40 + i), tree=TreeId(name, 1, i)) for i in range(1, 9)),
            hand_counts=tuple(
                HandCount(
                    tree=TreeId(name, 1, i), fruit_count=round(1.5 * (40 + i)), counted_on=WALK
                )
                for i in range(1, 9)
            ),
        )
        for name in ("Gala South", "Gala West")
    )
    found = estimate(LOW + HIGH, like_blocks=like)
    assert found.factor is not None
    assert found.factor.factor == pytest.approx(1.5, abs=0.01)
    assert found.factor.pooled_blocks == ("Gala South", "Gala West")
    assert Doubt.POOLED_FACTOR in found.doubts
    assert Doubt.NO_HAND_COUNTS not in found.doubts
    # A tenth of the factor at least, since like blocks differ.
    assert found.fruit_per_tree_error > 0.1 * found.fruit_per_tree_mean


def test_a_line_through_fifteen_pairs_is_used_where_it_predicts_better() -> None:
    # 20 fruit hide in every tree: y = 20 + x. The ratio would say otherwise for other loads.
    loads = [30, 90, 40, 80, 50, 70, 60, 35, 85, 45, 75, 55, 65, 95, 25, 58]
    trees = [sampled(1 + i, 6 * i + 2, load) for i, load in enumerate(loads)]
    counts = [replace(one, fruit_count=one.fruit_count + 20) for one in counted(trees, 1.0)]
    heavy = [sampled(1 + i, 50, 100) for i in range(4)]
    register = tuple(place(row, at) for row in range(1, 21) for at in range(1, 101))
    found = estimate(trees + heavy, counts, register)
    assert found.factor is not None
    assert found.factor.model == "line"
    assert found.fruit_per_tree_mean == pytest.approx(20 + (sum(loads) + 400) / 20)


def with_vigour(number: int, *, noted: int) -> list[TreeSample]:
    """Trees all over the rows of loads 30 to 95, of vigour 1, 2, 3, 1, ... for those noted."""
    return [
        replace(
            sampled(1 + i, 5 * i + 2, 30 + (37 * i) % 66),
            vigour=1.0 + i % 3 if i < noted else None,
        )
        for i in range(number)
    ]


def hidden_by_vigour(trees: list[TreeSample]) -> list[HandCount]:
    return [
        HandCount(
            tree=one.tree,
            fruit_count=round((1 + 0.25 * (one.vigour or 2)) * one.visible_count),
            counted_on=WALK,
        )
        for one in trees
    ]


def test_vigour_of_the_trees_is_used_where_it_predicts_better() -> None:
    register = tuple(place(row, at) for row in range(1, 21) for at in range(1, 101))
    trees = with_vigour(20, noted=20)
    counts = hidden_by_vigour(trees[:16])
    found = estimate(trees, counts, register)
    assert found.factor is not None
    assert found.factor.model == "vigour"
    # Hand counts are rounded to whole fruit: what hides is told to half a per cent.
    truth = np.mean([(1 + 0.25 * (one.vigour or 0)) * one.visible_count for one in trees])
    assert found.fruit_per_tree_mean == pytest.approx(truth, rel=0.005)
    assert any("the vigour of the trees" in one for one in factor_words(found.factor, WALK))
    plain = estimate([replace(one, vigour=None) for one in trees], counts, register)
    assert found.fruit_per_tree_error < plain.fruit_per_tree_error


def test_vigour_by_strata_gives_each_part_its_own_hidden_fruit() -> None:
    trees = with_vigour(20, noted=20)
    part = {1: "weak", 2: "middling", 3: "strong"}
    strata = {one.tree: part[int(one.vigour or 0)] for one in trees}
    register = tuple(
        place(row, at, stratum=strata.get(TreeId(BLOCK_ID, row, at), "weak"))
        for row in range(1, 21)
        for at in range(1, 101)
    )
    found = estimate(trees, hidden_by_vigour(trees), register)
    for stratum in found.strata:
        inside = [one for one in trees if strata[one.tree] == stratum.name]
        hand = [(1 + 0.25 * (one.vigour or 0)) * one.visible_count for one in inside]
        assert stratum.fruit_per_tree.p50 == pytest.approx(np.mean(hand), rel=0.01)


def test_vigour_of_some_trees_only_is_not_used_and_that_is_said() -> None:
    register = tuple(place(row, at) for row in range(1, 21) for at in range(1, 101))
    trees = with_vigour(20, noted=18)
    found = estimate(trees, hidden_by_vigour(trees[:16]), register)
    assert found.factor is not None
    assert found.factor.model == "ratio"
    assert Doubt.VIGOUR_INCOMPLETE in found.doubts


def test_vigour_stays_aside_below_fifteen_pairs() -> None:
    register = tuple(place(row, at) for row in range(1, 21) for at in range(1, 101))
    trees = with_vigour(20, noted=20)
    factor = estimate(trees, hidden_by_vigour(trees[:14]), register).factor
    assert factor is not None
    assert factor.model == "ratio"


def test_tails_keep_their_range_and_get_a_variance() -> None:
    thin = Sampled(value=100, error=10, degrees_of_freedom=1)
    thick = with_tails(thin)
    assert thick.degrees_of_freedom == 3
    assert estimate_from(thick).p90 == pytest.approx(estimate_from(thin).p90)
    assert with_tails(thick) == thick


def test_an_old_factor_of_june_is_used_in_september_and_its_age_is_said() -> None:
    june = estimate(LOW + HIGH, counted(LOW + HIGH, 1.5)).factor
    assert june is not None
    old = replace(june, counted_on=date(2026, 6, 1))
    found = estimate(LOW + HIGH, earlier=(old,))
    assert found.factor is not None
    assert Doubt.OLD_FACTOR in found.doubts
    assert found.factor.factor_error > june.factor_error
    assert found.walked_on - old.counted_on == timedelta(days=72)  # type: ignore[operator]

"""Hidden fruit and the block at the edges of their rules, by hand-worked numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import stats

from fruitvision.block import Background, estimate_block
from fruitvision.domain import (
    Block,
    Doubt,
    HiddenFruitFactor,
    Protocol,
    RegisteredTree,
    TreeId,
    TreeKind,
    TreeSample,
)
from fruitvision.errors import FieldDataError
from fruitvision.hidden import FactorSources, LikeBlock, fit_hidden
from fruitvision.hidden_factor import OLD_FACTOR_DAYS, use_factor
from fruitvision.hidden_pairs import HAND_COUNT_DAYS, pair_counts, suspect_pairs
from fruitvision.hidden_pool import BlockPairs, pool_pairs
from fruitvision.settings import Settings
from fruitvision.strata import part_trees, tree_weights, two_phase_strata
from fruitvision.survey import sample_size, two_stage_total
from fruitvision.two_phase import SampledStratum, two_phase_regression
from fruitvision.walk_spread import spread_of_walk
from tests.records import BLOCK_ID, WALK, block, hand_count, tree, tree_id

SETTINGS = Settings()


def trees_of(*visible: int) -> list[TreeSample]:
    return [tree(number, seen) for number, seen in enumerate(visible)]


# ---------------------------------------------------------------- which hand counts are used


def test_a_hand_count_is_paired_up_to_a_fortnight_and_not_a_day_more() -> None:
    walk = trees_of(40)
    for days, paired in ((HAND_COUNT_DAYS, 1), (HAND_COUNT_DAYS + 1, 0)):
        for sign in (1, -1):
            count = hand_count(0, 60, on=WALK + timedelta(days=sign * days))
            assert len(pair_counts(walk, [count])[0]) == paired


def test_the_count_nearest_in_time_is_the_trees() -> None:
    counts = [hand_count(0, 55, on=WALK - timedelta(days=9)), hand_count(0, 60, on=WALK)]
    ((_, count),) = pair_counts(trees_of(40), counts)[0]
    assert count.fruit_count == 60


def like(days: int) -> LikeBlock:
    on = WALK + timedelta(days=days)
    return LikeBlock(
        block_id="Gala South",
        trees=tuple(
            replace(tree(n, 40), tree=TreeId("Gala South", 1, n), walked_on=on) for n in range(8)
        ),
        hand_counts=tuple(
            replace(hand_count(n, 60, on=on), tree=TreeId("Gala South", 1, n)) for n in range(8)
        ),
    )


def test_like_blocks_lend_counts_of_weeks_as_near_as_a_factor_may_be_old() -> None:
    for days in (OLD_FACTOR_DAYS, -OLD_FACTOR_DAYS):
        near = fit_hidden(trees_of(40, 50), [], FactorSources(like_blocks=(like(days),)))
        assert near.factor is not None
        far = FactorSources(like_blocks=(like(days + (1 if days > 0 else -1)),))
        assert fit_hidden(trees_of(40, 50), [], far).factor is None


@pytest.mark.parametrize(("known", "doubted"), [(0, False), (1, True), (2, True), (3, False)])
def test_vigour_of_some_trees_only_is_doubted(known: int, doubted: bool) -> None:
    walk = [
        replace(one, vigour=2.0 if number < known else None)
        for number, one in enumerate(trees_of(40, 45, 50))
    ]
    fit = fit_hidden(walk, [hand_count(0, 60)], FactorSources())
    assert (Doubt.VIGOUR_INCOMPLETE in fit.doubts) is doubted


def test_counted_trees_that_stand_for_no_tree_count_alike() -> None:
    # Both counted trees lie in a stratum without bearing trees: 130 of 90, not nothing of nothing.
    walk = trees_of(40, 50, 60)
    weights = {tree_id(0): 0.0, tree_id(1): 0.0, tree_id(2): 100.0}
    fit = fit_hidden(walk, [hand_count(0, 60), hand_count(1, 70)], FactorSources(weights=weights))
    assert fit.factor is not None
    assert fit.factor.factor == pytest.approx(130 / 90)


def test_with_like_blocks_a_factor_keeps_its_own_doubts_and_is_a_ratio() -> None:
    # Sixteen pairs on an exact line, of which one is below what was seen.
    seen = [20 + 5 * n for n in range(16)]
    walk = trees_of(*seen)
    counts = [hand_count(n, 30 + x) for n, x in enumerate(seen)]
    counts[3] = hand_count(3, seen[3] - 5)
    alone = fit_hidden(walk, counts, FactorSources())
    both = fit_hidden(walk, counts, FactorSources(like_blocks=(like(0),)))
    assert alone.factor is not None
    assert both.factor is not None
    assert {Doubt.HAND_BELOW_VISIBLE, Doubt.SUSPECT_PAIRS} <= set(alone.doubts) & set(both.doubts)
    assert both.factor.suspects == alone.factor.suspects == (tree_id(3),)
    assert both.factor.protocol is Protocol.TWO_FACES
    assert both.factor.model == "ratio"


# ---------------------------------------------------------------- factors of earlier walks


def earlier(*, error: float, trees: int) -> HiddenFruitFactor:
    return HiddenFruitFactor(
        factor=1.5,
        factor_error=error,
        trees=trees,
        protocol=Protocol.TWO_FACES,
        counted_on=WALK,
        degrees_of_freedom=7,
    )


@pytest.mark.parametrize(
    ("error", "trees", "scatter"),
    [
        # The error of a mean of n trees is their scatter ÷ √n: 0.3 / 1.5 · √9.
        (0.3, 9, 0.60),
        (0.6, 1, 0.40),
        # A factor that somebody typed in rests on no tree: as one.
        (0.6, 0, 0.40),
        # The assumed scatter, where it is the larger.
        (0.01, 4, 0.25),
    ],
)
def test_trees_scatter_about_an_earlier_factor_as_its_error_says(
    error: float, trees: int, scatter: float
) -> None:
    sources = FactorSources(earlier=(earlier(error=error, trees=trees),))
    fit = fit_hidden(trees_of(30, 50), [], sources)
    assert fit.ratio is not None
    assert fit.ratio.residual_sd == pytest.approx(scatter * 1.5 * 40)
    assert (fit.ratio.ratio, fit.ratio.error) == pytest.approx((1.5, error))
    assert (fit.ratio.pairs, fit.ratio.freedom) == (0, 7)


def test_without_an_error_of_counts_another_detectors_factor_keeps_its_own() -> None:
    used = use_factor(
        earlier(error=0.1, trees=9),
        protocol=Protocol.TWO_FACES,
        detector="another",
        walked_on=WALK,
        confirmed=True,
    )
    assert used.factor_error == pytest.approx(0.1)
    assert used.doubts == (Doubt.OTHER_DETECTOR,)


# ---------------------------------------------------------------- suspects


@pytest.mark.parametrize(
    ("visible", "counted", "worst_first"),
    [
        # Two trees of 40 with 80: factor 2. Off by 110/√100 = 11 and 45/√25 = 9.
        ([100, 25, 40, 40], [90, 5, 80, 80], (0, 1)),
        # 82/√81 = 9.1 and 50/√25 = 10.
        ([81, 25, 40, 40], [80, 0, 80, 80], (1, 0)),
        # 2/√1 = 2 and 28/√16 = 7.
        ([1, 16, 40, 40], [0, 4, 80, 80], (1, 0)),
    ],
)
def test_suspects_stand_by_how_far_they_are_from_the_others(
    visible: list[int], counted: list[int], worst_first: tuple[int, ...]
) -> None:
    assert suspect_pairs(visible, counted) == worst_first


def test_a_tree_with_one_fruit_counts_as_one_and_less_than_one_as_one() -> None:
    # Factor 2: off by 2/√1 = 2 and 7/√16 = 1.75.
    assert suspect_pairs([1, 16, 40], [0, 25, 80], [1, 30, 40]) == (0, 1)
    # Half a fruit, as panels have it: 0.5·2 = 1, over √1 and not √0.5.
    assert suspect_pairs([0.5, 16, 40], [0, 27, 80], [0.4, 30, 40]) == (1, 0)


def test_where_all_pairs_are_wrong_they_are_judged_by_themselves() -> None:
    # 55 of 150 is 0.367: off by 6.7/√100 and by 6.7/√50.
    assert suspect_pairs([100, 50], [30, 25]) == (1, 0)


# ---------------------------------------------------------------- the block


def register_of(rows: int, places: int) -> tuple[RegisteredTree, ...]:
    return tuple(
        RegisteredTree(tree=TreeId(BLOCK_ID, row, at), stratum="", kind=TreeKind.BEARING)
        for row in range(1, rows + 1)
        for at in range(1, places + 1)
    )


def walked(rows: list[int], loads: list[int]) -> list[TreeSample]:
    return [
        replace(tree(5 * n + 3, load), tree=TreeId(BLOCK_ID, row, 5 * n + 3))
        for n, (row, load) in enumerate(zip(rows, loads, strict=True))
    ]


def found_in(rows: list[int], loads: list[int], **more: object):  # type: ignore[no-untyped-def]
    return estimate_block(
        Block(block_id=BLOCK_ID, variety="Gala", positions=2400),
        walked(rows, loads),
        [],
        [],
        SETTINGS,
        Background(register=register_of(24, 100), **more),  # type: ignore[arg-type]
    )


def test_a_good_walk_has_no_doubt_of_register_or_sizes() -> None:
    trees = [
        tree(n, 40 + n % 7, diameters_mm=[68.0 + n % 5, 71.0, 74.0 - n % 3]) for n in range(1, 21)
    ]
    counts = [hand_count(n, 60 + n) for n in range(1, 11)]
    found = estimate_block(block(trees=25), trees, counts, [], SETTINGS)
    assert found.trees == 20
    assert Doubt.REGISTER_DIFFERS not in found.doubts
    assert Doubt.NO_SIZES not in found.doubts
    assert Doubt.NO_CALIPERS in found.doubts
    assert Doubt.NO_SIZES in estimate_block(block(), trees_of(40, 50), [], [], SETTINGS).doubts


def test_trees_with_less_than_a_fruit_each_stray_by_rows_as_all_do() -> None:
    # Rows share 18 % of the variance (c/(1-c) of that within), seen in 2 rows of 24.
    loads = [0, 1, 1, 0, 1, 0, 2, 0, 0, 1, 0, 1]
    spread = found_in([1 + 2 * n for n in range(12)], loads)
    corner = found_in([1 + n % 2 for n in range(12)], loads)
    variance = float(np.var(loads, ddof=1))
    more = 0.18 / 0.82 * variance * (1 / 2 - 1 / 24)
    assert corner.fruit_per_tree_error**2 == pytest.approx(spread.fruit_per_tree_error**2 + more)
    assert corner.sampling_error**2 == pytest.approx(spread.sampling_error**2 + more)


def test_a_corner_without_any_fruit_has_none_and_errs_by_nothing_more() -> None:
    corner = found_in([1 + n % 2 for n in range(8)], [0] * 8)
    assert corner.fruit_total.p50 == 0
    assert corner.fruit_per_tree_error == 0


def test_the_part_that_more_trees_shrink_is_widened_as_the_whole_where_two_trees_tell_it() -> None:
    # Two trees with 10 and 11: s² = 0.5, of 1,000. t(1) for P90 is 1.879 times that of t(3).
    found = estimate_block(block(), trees_of(10, 11), [], [], SETTINGS)
    wider = stats.t.ppf(0.9, 1) / stats.t.ppf(0.9, 3)
    alone = (0.5 * (1 / 2 - 1 / 1000)) ** 0.5
    assert alone < 1
    assert found.fruit_per_tree_error == pytest.approx(wider * alone)
    assert found.sampling_error == pytest.approx(wider * alone)
    assert found.degrees_of_freedom == 3


# ---------------------------------------------------------------- strata


def test_a_stratum_weighs_its_trees_by_those_that_were_photographed() -> None:
    # 30 bearing trees by 3 photographed ones: each stands for 10.
    parts = part_trees(block(trees=30), (), trees_of(40, 50, 60))
    assert set(tree_weights(parts).values()) == {10.0}
    (stratum,) = two_phase_strata(parts)
    assert (stratum.share, stratum.units) == (30.0, 30)
    assert stratum.values == (40.0, 50.0, 60.0)
    assert not parts[0].mixed


def test_panels_that_overlap_or_name_a_tree_twice_are_mixed() -> None:
    four = [replace(one, trees=4) for one in (tree(1, 160), tree(5, 170))]
    assert not part_trees(block(), (), four)[0].mixed
    overlap = [four[0], replace(four[1], tree=tree_id(4))]
    assert part_trees(block(), (), overlap)[0].mixed


def test_a_panel_may_end_with_its_row_and_not_beyond() -> None:
    places = register_of(2, 6)
    last = replace(tree(3, 160), trees=4)
    parts = part_trees(block(trees=12), places, [last])
    assert parts[0].shares == (4.0,)
    with pytest.raises(FieldDataError, match="by the register 3 stand there"):
        part_trees(block(trees=12), places, [replace(last, tree=tree_id(4))])


# ---------------------------------------------------------------- surveys


@pytest.mark.parametrize(
    "samples", [[[1.0, 2.0]], [[1.0, 2.0], [3.0]]], ids=["one cluster", "one unit"]
)
def test_two_stages_need_two_of_each(samples: list[list[float]]) -> None:
    with pytest.raises(ValueError, match="2 or more clusters with 2 or more"):
        two_stage_total(samples, [10] * len(samples), clusters=20)


def test_a_line_through_three_pairs_by_hand() -> None:
    # y of 1, 2, 4 at x of 0, 1, 2: slope 1.5, start 5/6, residuals 1/6, -1/3, 1/6; s² = 1/6.
    photos = SampledStratum(share=1.0, units=100, values=(0.0, 1.0, 2.0, 5.0))
    found = two_phase_regression([photos], [0, 1, 2], [1, 2, 4])
    assert found.mean.value == pytest.approx(5 / 6 + 1.5 * 2)
    s2 = 1 / 6
    # Four photos with mean 2; pairs with mean 1 and Σ(x - 1)² = 2.
    calibration = s2 * (1 / 3 - 1 / 4 + (2 - 1) ** 2 / 2)
    x2 = np.var([0, 1, 2, 5], ddof=1)
    sampling = (1.5**2 * x2 + s2) * (1 / 4 - 1 / 100)
    assert found.calibration_error == pytest.approx(calibration**0.5)
    assert found.sampling_error == pytest.approx(sampling**0.5)
    assert found.mean.error == pytest.approx((calibration + sampling) ** 0.5)


@pytest.mark.parametrize(("cv", "half_width"), [(0.0, 0.1), (0.3, 0.0), (-0.3, 0.1)])
def test_a_sample_for_no_spread_or_no_width_is_refused(cv: float, half_width: float) -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        sample_size(cv, half_width=half_width)


def test_without_a_register_rows_are_whole_rows() -> None:
    # 30 places, the largest number seen is 7: five rows, the last of two places.
    seen = [tree_id(position) for position in (1, 4, 7)]
    spread = spread_of_walk(block(trees=30), (), seen)
    assert (spread.rows, spread.rows_seen) == (5, 1.0)
    assert (spread.row_span, spread.place_span) == (1 / 5, 1.0)


def test_the_crop_errs_by_the_trees_and_by_the_fruit_on_them() -> None:
    # 2,400 places by the register, which errs by 1.2 %.
    found = found_in(
        [1 + 2 * n for n in range(12)], [38, 41, 44, 40, 39, 45, 42, 37, 43, 40, 41, 42]
    )
    assert found.bearing_trees == 2400
    assert found.bearing_trees_error is not None
    error = np.hypot(
        2400 * found.fruit_per_tree_error, found.fruit_per_tree_mean * found.bearing_trees_error
    )
    half = found.fruit_total.p90 - found.fruit_total.p50
    # Student's t of ten degrees or more: 1.372 to 1.2816 standard errors.
    assert 1.28 * error < half < 1.373 * error


def test_trees_scatter_about_a_pooled_factor_by_their_share_of_its_fruit() -> None:
    # Fewer than eight pairs: 25 % of the factor times the mean of the photographed trees.
    own = BlockPairs(block_id="a", visible=(40.0, 50.0), counted=(60.0, 75.0))
    like_it = BlockPairs(block_id="b", visible=(30.0, 60.0), counted=(45.0, 90.0))
    found = pool_pairs(own, [like_it], photographed=[40.0, 50.0, 60.0])
    assert found.ratio.ratio == pytest.approx(1.5)
    assert found.ratio.residual_sd == pytest.approx(0.25 * 1.5 * 50)

"""Strata, pooled pairs, growth and summary at numbers worked by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from scipy import stats

from fruitvision.block import Background, estimate_block
from fruitvision.domain import (
    BlockEstimate,
    Doubt,
    GrowthRate,
    HiddenFruitFactor,
    Protocol,
    RegisteredTree,
    TreeId,
    TreeKind,
    TreeSample,
)
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.like_growth import shrink
from fruitvision.forecast.season import Season
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import Heading, forecast_doubts, summarise
from fruitvision.forecast.weight import USUAL_POWER, fit_power
from fruitvision.hidden import FactorSources, HiddenFit, LikeBlock, fit_hidden
from fruitvision.hidden_factor import OLD_FACTOR_DAYS, factor_words, use_factor
from fruitvision.hidden_pool import BlockPairs, pairs_of, pool_pairs
from fruitvision.settings import Settings
from fruitvision.strata import part_trees
from fruitvision.survey import stratified_mean
from fruitvision.tree import split_walks
from fruitvision.two_phase import SampledStratum, two_phase_regression
from tests.forecast_records import EXACT, TABLE, block_estimate, block_inputs, exact_sizes
from tests.records import BLOCK_ID, PICK, WALK, block, hand_count, tree, tree_photo

SETTINGS = Settings()


def places(*strata: str, each: int = 10, share: float = 1.0) -> tuple[RegisteredTree, ...]:
    """A row a stratum; the last row's trees are replants that bear `share` of a full tree."""
    return tuple(
        RegisteredTree(
            tree=TreeId(BLOCK_ID, row, at),
            stratum=name,
            kind=TreeKind.REPLANT if row == len(strata) and share < 1 else TreeKind.BEARING,
            bearing_share=share if row == len(strata) else 1.0,
        )
        for row, name in enumerate(strata, start=1)
        for at in range(1, each + 1)
    )


def at(row: int, position: int, visible: int) -> TreeSample:
    return replace(tree(position, visible), tree=TreeId(BLOCK_ID, row, position))


LOW_AND_HIGH = [at(1, 3, 8), at(1, 8, 12), at(2, 3, 88), at(2, 8, 92)]


def estimated(register: tuple[RegisteredTree, ...], **more: object) -> BlockEstimate:
    background = Background(register=register, **more)  # type: ignore[arg-type]
    of = block(trees=len(register))
    return estimate_block(of, LOW_AND_HIGH, [], [], SETTINGS, background)


# ---------------------------------------------------------------- strata


def test_a_stratum_without_a_tree_bears_as_the_others_by_the_spread_between_them() -> None:
    # 10 and 90 a tree: mean 50, standard deviation 80 / √2. Freedom of what is assumed: 4.
    unseen = estimated(places("A", "B", "C")).strata[2].fruit_per_tree
    half = stats.t.ppf(0.9, 4) * 80 / 2**0.5
    assert (unseen.p50, unseen.p90) == pytest.approx((50, 50 + half))


@pytest.mark.parametrize(("share", "doubted"), [(0.0, False), (0.5, True)])
def test_only_a_stratum_that_bears_is_missed(share: float, doubted: bool) -> None:
    found = estimated(places("A", "B", "C", share=share))
    assert (Doubt.STRATUM_NOT_SAMPLED in found.doubts) is doubted


def test_a_young_tree_is_brought_to_a_full_one() -> None:
    # 80 on a full tree and 30 on half a tree: 110 / 1.5 a full tree; each strays from that by
    # what it bears more or less than its share, over the mean share of 0.75.
    register = (
        RegisteredTree(tree=TreeId(BLOCK_ID, 1, 1)),
        RegisteredTree(tree=TreeId(BLOCK_ID, 1, 2), kind=TreeKind.REPLANT, bearing_share=0.5),
    )
    walk = [replace(at(1, 1, 80), vigour=2.0), replace(at(1, 2, 30), vigour=1.0)]
    (part,) = part_trees(block(trees=2), register, walk)
    ratio = 110 / 1.5
    assert part.visible == pytest.approx(ratio)
    assert part.per_full_tree == pytest.approx(
        (ratio + (80 - ratio) / 0.75, ratio + (30 - ratio / 2) / 0.75)
    )
    by_vigour = (160 + 30) / 1.5
    assert part.vigour_per_full_tree == pytest.approx(
        (by_vigour + (160 - by_vigour) / 0.75, by_vigour + (30 - by_vigour / 2) / 0.75)
    )


def test_hand_counts_stand_for_the_trees_of_their_stratum() -> None:
    # Three of 6 trees hide half of their fruit, three of 60 hide none: weights 2 and 20.
    low, high = (8, 10, 12), (80, 90, 100)
    walk = [at(1, 2 * n + 1, x) for n, x in enumerate(low)]
    walk += [at(2, 20 * n + 1, x) for n, x in enumerate(high)]
    counted = (*(2 * x for x in low), *high)
    for number in (2, 6):  # Few pairs, and enough.
        kept = (0, 3) if number == 2 else range(6)
        counts = [replace(hand_count(0, counted[n]), tree=walk[n].tree) for n in kept]
        register = (*places("low", each=6), *places("", "high", each=60)[60:])
        found = estimate_block(
            block(trees=66), walk, counts, [], SETTINGS, Background(register=register)
        )
        weights = np.array([2, 2, 2, 20, 20, 20])[list(kept)]
        seen = np.array([tree.visible_count for tree in walk])[list(kept)]
        assert found.factor is not None
        assert found.factor.factor == pytest.approx(
            weights @ np.array(counted)[list(kept)] / (weights @ seen)
        )


def test_where_every_tree_was_photographed_a_line_has_the_freedom_of_its_pairs() -> None:
    photos = SampledStratum(share=1.0, units=100, values=(0.0, 1.0, 2.0, 5.0) * 25)
    found = two_phase_regression([photos], [0, 1, 2], [1, 2, 4])
    assert found.sampling_error == 0
    assert found.mean.degrees_of_freedom == 1


def test_freedoms_of_strata_add_up() -> None:
    found = stratified_mean([[1, 2, 3], [4, 6, 8, 10], [5, 5]], [30, 40, 30])
    assert found.degrees_of_freedom == 2 + 3 + 1
    assert found.value == pytest.approx(0.3 * 2 + 0.4 * 7 + 0.3 * 5)


# ---------------------------------------------------------------- factors


def factor(**more: object) -> HiddenFruitFactor:
    known = {"factor": 1.5, "factor_error": 0.1, "trees": 9, "protocol": Protocol.TWO_FACES}
    return HiddenFruitFactor(**{**known, "counted_on": WALK, "degrees_of_freedom": 7, **more})


@pytest.mark.parametrize("confirmed", [True, False])
def test_a_block_takes_another_detectors_factor_only_if_that_is_confirmed(confirmed: bool) -> None:
    found = estimated(
        places("A", "B"), earlier=(factor(detector="old"),), detector="new", confirmed=confirmed
    )
    assert (found.factor is not None) is confirmed


def test_an_old_factor_has_the_freedom_of_both_its_errors() -> None:
    # 0.1 with 7 and a tenth of 1.5 with 4: (0.01 + 0.0225)² / (0.01² / 7 + 0.0225² / 4) = 7.5.
    on = WALK + timedelta(days=OLD_FACTOR_DAYS + 1)
    used = use_factor(factor(), protocol=Protocol.TWO_FACES, detector="", walked_on=on)
    assert used.factor_error == pytest.approx((0.01 + 0.0225) ** 0.5)
    assert used.degrees_of_freedom == 7
    surer = factor(factor_error=0.01, degrees_of_freedom=30)
    used = use_factor(surer, protocol=Protocol.TWO_FACES, detector="", walked_on=on)
    assert used.degrees_of_freedom == 4


@pytest.mark.parametrize(("days", "said"), [(0, False), (1, True)])
def test_hand_counts_are_called_old_a_day_beyond_the_limit(days: int, said: bool) -> None:
    words = factor_words(factor(), WALK + timedelta(days=OLD_FACTOR_DAYS + days))
    assert any("count again" in line for line in words) is said


def test_where_all_pairs_are_suspect_no_others_tell_the_factor() -> None:
    walk, counts = [tree(0, 100), tree(1, 50)], [hand_count(0, 30), hand_count(1, 25)]
    fit = fit_hidden(walk, counts, FactorSources())
    assert fit.factor is not None
    assert len(fit.factor.suspects) == 2
    assert fit.factor.factor_without_suspects is None


def test_vigour_of_pairs_is_that_of_all_or_none() -> None:
    walk = [replace(tree(0, 40), vigour=2.0), tree(1, 50)]
    counts = [hand_count(0, 60), hand_count(1, 70)]
    pairs = list(zip(walk, counts, strict=True))
    assert pairs_of(BLOCK_ID, pairs).vigour == ()
    assert pairs_of(BLOCK_ID, pairs[:1]).vigour == (2.0,)


def test_pooled_pairs_scatter_about_the_factor_of_all_their_trees() -> None:
    own = BlockPairs(
        block_id=BLOCK_ID,
        visible=(10, 20, 30, 40, 50, 60),
        counted=(10, 24, 47, 60, 77, 88),
        trees=(1, 1, 1, 4, 4, 4),
    )
    weights, seen, counted = (np.array(v) for v in (own.trees, own.visible, own.counted))
    ratio = float(weights @ counted / (weights @ seen))
    residuals = counted - ratio * seen
    scatter = (np.sum(residuals**2) / 5) ** 0.5 / np.mean(counted)
    assert scatter > 0.02
    found = pool_pairs(own, [], photographed=[30, 50]).ratio
    assert found.residual_sd == pytest.approx(scatter * found.ratio * 40)
    assert found.covariance == pytest.approx(np.cov(seen, residuals)[0, 1])


def test_a_factor_without_own_counts_rests_on_no_tree_of_the_block() -> None:
    counted = [replace(tree(n, 40), tree=TreeId("Gala South", 1, n)) for n in range(8)]
    like = LikeBlock(
        block_id="Gala South",
        trees=tuple(counted),
        hand_counts=tuple(replace(hand_count(0, 60), tree=one.tree) for one in counted),
    )
    fit = fit_hidden([tree(0, 40), tree(1, 50)], [], FactorSources(like_blocks=(like,)))
    assert fit.factor is not None
    assert (fit.factor.trees, fit.factor.pooled_blocks) == (0, ("Gala South",))
    assert fit.factor.factor == pytest.approx(1.5)


def test_pairs_of_like_blocks_too_few_or_heavier_than_ones_own_are_said() -> None:
    def fitted(own: int, like: int) -> HiddenFit:
        walk = [tree(n, 40 + n) for n in range(8)]
        there = [replace(tree(n, 40), tree=TreeId("Gala South", 1, n)) for n in range(like)]
        counted = [replace(hand_count(0, 60), tree=one.tree) for one in there]
        lent = LikeBlock(block_id="Gala South", trees=tuple(there), hand_counts=tuple(counted))
        mine = [hand_count(n, 61 + 2 * n) for n in range(own)]
        return fit_hidden(walk, mine, FactorSources(like_blocks=(lent,)))

    few, enough, own = fitted(0, 4), fitted(0, 5), fitted(8, 5)
    assert Doubt.FEW_HAND_COUNTS in few.doubts
    assert Doubt.FEW_HAND_COUNTS not in enough.doubts
    assert Doubt.POOLED_FACTOR in enough.doubts
    assert Doubt.POOLED_FACTOR not in own.doubts
    for fit in (few, enough, own):
        assert fit.factor is not None
        assert fit.ratio is not None
        assert fit.factor.degrees_of_freedom == fit.ratio.freedom


def test_single_pairs_tell_no_scatter_and_fewer_than_five_no_covariance() -> None:
    one = BlockPairs(block_id=BLOCK_ID, visible=(40,), counted=(60,))
    found = pool_pairs(one, [], photographed=[40, 50]).ratio
    assert found.residual_sd == pytest.approx(0.25 * 1.5 * 45)
    four = BlockPairs(block_id=BLOCK_ID, visible=(10, 20, 30, 40), counted=(16, 27, 47, 60))
    assert pool_pairs(four, [], photographed=[40, 50]).ratio.covariance == 0


def test_photos_of_seven_days_apart_are_of_two_walks() -> None:
    days = [replace(tree_photo(n, "A", f"p{n}"), walked_on=WALK + timedelta(n)) for n in (0, 6, 7)]
    walks = split_walks(days)
    assert [[photo.photo_id for photo in walk] for walk in walks] == [["p0"], ["p6", "p7"]]


# ---------------------------------------------------------------- growth, weight, summary


def rate(mm3_per_day: float, error: float) -> GrowthRate:
    return GrowthRate(mm3_per_day=mm3_per_day, mm3_per_day_error=error, source="walks")


def test_two_rates_as_sure_as_each_other_meet_half_way() -> None:
    both = shrink(rate(4000, 300), rate(5000, 300))
    assert both.mm3_per_day == pytest.approx(4500)
    assert both.mm3_per_day_error == pytest.approx(300 / 2**0.5)
    # 1 / 200² and 1 / 400²: four parts of the first, one of the other.
    both = shrink(rate(4000, 200), rate(5000, 400))
    assert both.mm3_per_day == pytest.approx(4200)
    assert shrink(rate(4000, 0), rate(5000, 0)).mm3_per_day == 4000


def test_fruit_of_one_size_tell_no_power() -> None:
    fit = fit_power([1.0, 1.0, 1.0], [2.0, 3.0, 4.0])
    assert fit.power == USUAL_POWER
    assert fit.power_error == np.inf


def test_what_is_doubted_of_growth_is_doubted_of_the_forecast() -> None:
    inputs = block_inputs()
    assert Doubt.DEFAULT_GROWTH not in forecast_doubts(inputs, SETTINGS)
    textbook = replace(inputs, growth=replace(inputs.growth, doubts=(Doubt.DEFAULT_GROWTH,)))
    assert Doubt.DEFAULT_GROWTH in forecast_doubts(textbook, SETTINGS)


@pytest.mark.parametrize(("doubts", "alike"), [((), True), ((Doubt.FARM_GROWTH,), False)])
def test_a_blocks_own_rate_moves_a_mean_in_doubt_by_the_same_mm(
    doubts: tuple[Doubt, ...], alike: bool
) -> None:
    # What was measured on these fruit stands in mm; what others gained in D³ is fewer mm for larger
    # fruit.
    estimate = block_estimate(with_sizes=replace(exact_sizes(), mean_error_mm=2.0))
    growth = GrowthRate(mm3_per_day=4000, mm3_per_day_error=0, source="walks", doubts=doubts)
    inputs = block_inputs(estimate, growth=growth, settings=EXACT)
    assert estimate.sizes is not None
    season = Season(inputs, estimate.sizes, EXACT, draw_shared(EXACT))
    grown = season.at_pick(PICK, np.zeros(EXACT.draws, dtype=np.int64)).mean_mm - season.mean_mm
    assert grown.min() > 4
    if alike:
        assert np.ptp(grown) < 1e-9
    else:
        largest = int(np.argmax(season.mean_mm))
        assert grown[largest] == grown.min()
        assert np.ptp(grown) > 0.5


def test_a_grade_of_less_than_a_carton_has_its_line() -> None:
    crop = draw_block(block_inputs(), TABLE, EXACT, draw_shared(EXACT))
    few = np.tile([0.4, 0.0], (EXACT.draws, 1))
    heading = Heading(name="x", variety="Gala", pick_date=PICK, rests_on="")
    made = summarise(replace(crop, grades={"Extra": few}), heading, TABLE, EXACT)
    assert [(row.size_class, row.cartons.p50) for row in made.grades] == [
        ("60-75", pytest.approx(0.4)),
        ("all", pytest.approx(0.4)),
    ]

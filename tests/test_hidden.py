"""Hidden fruit: factor, range, suspects, like blocks and old factors, worked out by hand."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
import statsmodels.api as sm

from fruitvision.domain import (
    Doubt,
    HandCount,
    HiddenFruitFactor,
    Protocol,
    TreeId,
    TreeSample,
)
from fruitvision.errors import FieldDataError
from fruitvision.hidden import FactorSources, LikeBlock, fit_hidden_fruit
from fruitvision.hidden_factor import factor_age_days, factor_range, factor_words, use_factor
from fruitvision.hidden_pairs import (
    choose_model,
    pair_ratio,
    studentised_residuals,
    suspect_pairs,
)
from fruitvision.hidden_pool import BlockPairs, pool_pairs
from fruitvision.survey import ratio_of_sums
from tests.records import WALK, hand_count, tree, tree_id


def fitted(
    visible: list[int], counted: list[int], sources: FactorSources | None = None
) -> HiddenFruitFactor:
    trees = [tree(i, seen) for i, seen in enumerate(visible)]
    counts = [hand_count(i, fruit) for i, fruit in enumerate(counted)]
    factor, _ = fit_hidden_fruit(trees, counts, sources)
    assert factor is not None
    return factor


def like_block(
    name: str,
    visible: list[int],
    counted: list[int],
    *,
    protocol: Protocol = Protocol.TWO_FACES,
    detector: str = "",
    on: date = WALK,
) -> LikeBlock:
    return LikeBlock(
        block_id=name,
        trees=tuple(
            TreeSample(
                tree=TreeId(name, 1, i), walked_on=on, protocol=protocol, visible_count=seen
            )
            for i, seen in enumerate(visible)
        ),
        hand_counts=tuple(
            HandCount(tree=TreeId(name, 1, i), fruit_count=n, counted_on=on, protocol=protocol)
            for i, n in enumerate(counted)
        ),
        detector=detector,
    )  # fmt: skip


SEEN = [40, 44, 46, 47, 48, 48, 49, 50, 52, 56]
COUNTED = [62, 65, 70, 69, 73, 72, 74, 74, 78, 83]


def test_scenario_23_factor_of_ten_trees_is_the_ratio_of_sums_with_a_range() -> None:
    factor = fitted(SEEN, COUNTED)
    assert factor.factor == pytest.approx(720 / 480)
    found = factor_range(factor)
    assert found.p10 < 1.5 < found.p90
    assert factor.factor_error == pytest.approx(ratio_of_sums(SEEN, COUNTED).error)
    assert (factor.trees, factor.degrees_of_freedom, factor.doubts) == (10, 9, ())
    assert factor.counted_on == WALK


def test_scenario_24_three_trees_give_a_range_of_a_quarter_and_more() -> None:
    # Scatter 15 %: 1.5·(0.85, 1, 1.15) on trees of 40.
    factor = fitted([40, 40, 40], [51, 60, 69])
    found = factor_range(factor)
    assert factor.factor == pytest.approx(1.5)
    assert found.p90 / found.p50 >= 1.25
    assert found.p10 / found.p50 <= 0.75
    # t(2) at 0.9 is 1.886; spread 25 % of 60 fruit: 1.886·0.25/√3 = 27.2 %.
    assert found.p90 / found.p50 - 1 == pytest.approx(0.272, abs=0.001)
    assert Doubt.FEW_HAND_COUNTS in factor.doubts


def test_few_trees_with_a_wide_scatter_keep_their_own() -> None:
    own = ratio_of_sums([40, 40, 40], [30, 60, 90])
    assert pair_ratio([40, 40, 40], [30, 60, 90]).error == pytest.approx(own.error)


def test_scenario_25_two_counts_below_the_visible_ones_are_named_and_told_apart() -> None:
    counted = [*COUNTED[:8], 40, 41]
    factor = fitted(SEEN, counted)
    assert factor.factor == pytest.approx(sum(counted) / 480)
    # The worst first: 41 of 56 is further off than 40 of 52.
    assert factor.suspects == (tree_id(9), tree_id(8))
    assert factor.factor_without_suspects == pytest.approx(sum(COUNTED[:8]) / sum(SEEN[:8]))
    assert {Doubt.SUSPECT_PAIRS, Doubt.HAND_BELOW_VISIBLE} <= set(factor.doubts)
    (look,) = [words for words in factor_words(factor, WALK) if words.startswith("Look")]
    assert look == (
        "Look at Gala North row 1 tree 9, Gala North row 1 tree 8: without them the factor is 1.50."
    )


# Trees of the invented samples, photographed from both sides: each side, and the truth.
SIDES = [(31, 29), (44, 46), (40, 38), (36, 40), (45, 45), (50, 47)]
TRUTH = [46, 87, 66, 74, 78, 95]


def fitted_sides(counted: list[int], count_error: float = 0.08) -> HiddenFruitFactor:
    trees = [replace(tree(i, sum(sides)), face_counts=sides) for i, sides in enumerate(SIDES)]
    counts = [hand_count(i, fruit) for i, fruit in enumerate(counted)]
    factor, _ = fit_hidden_fruit(trees, counts, FactorSources(count_error=count_error))
    assert factor is not None
    return factor


def test_counts_below_both_sides_together_are_right_and_not_suspect() -> None:
    # Fruit seen from both sides are in the sum twice: 60 seen of 46 that hang there.
    factor = fitted_sides(TRUTH)
    assert factor.suspects == ()
    assert factor.factor == pytest.approx(sum(TRUTH) / sum(a + b for a, b in SIDES))
    assert not {Doubt.SUSPECT_PAIRS, Doubt.HAND_BELOW_VISIBLE} & set(factor.doubts)
    assert any(words.startswith("Both sides are added") for words in factor_words(factor, WALK))


def test_a_count_below_what_one_face_shows_is_suspect_beyond_the_detectors_error() -> None:
    # Tree 3: 40 on its fuller face, 36.8 less 8 %.
    found = fitted_sides([*TRUTH[:3], 36, *TRUTH[4:]])
    assert found.suspects == (tree_id(3),)
    assert Doubt.HAND_BELOW_VISIBLE in found.doubts
    within = fitted_sides([*TRUTH[:3], 37, *TRUTH[4:]])
    assert Doubt.HAND_BELOW_VISIBLE not in within.doubts


def test_of_two_suspects_the_worse_is_named_first() -> None:
    found = fitted_sides([20, *TRUTH[1:4], 300, TRUTH[5]])
    assert found.suspects[0] == tree_id(4)
    assert tree_id(0) in found.suspects


def test_a_tree_of_one_face_bears_what_its_photo_shows() -> None:
    photographed = [tree(i, n, protocol=Protocol.ONE_FACE) for i, n in enumerate(SEEN)]
    counts = [
        hand_count(i, n, protocol=Protocol.ONE_FACE) for i, n in enumerate([*COUNTED[:8], 40, 41])
    ]
    factor, doubts = fit_hidden_fruit(photographed, counts, FactorSources(count_error=0.08))
    assert factor is not None
    assert factor.suspects == (tree_id(9), tree_id(8))
    assert Doubt.HAND_BELOW_VISIBLE in doubts


def test_a_pair_far_from_the_others_is_suspect_and_stays_in() -> None:
    counted = [*COUNTED[:9], 140]
    factor = fitted(SEEN, counted)
    assert factor.suspects == (tree_id(9),)
    assert factor.factor == pytest.approx(sum(counted) / 480)
    assert Doubt.HAND_BELOW_VISIBLE not in factor.doubts


def test_pairs_that_scatter_as_usual_are_rarely_suspect() -> None:
    # By construction 1 of 20 sets of ten, less for few sets of this size: 2,000 sets.
    rng = np.random.default_rng(11)
    sets = 0
    for _ in range(1000):
        x = rng.uniform(40, 80, 10)
        sets += bool(suspect_pairs(x, 1.6 * x + np.sqrt(x) * rng.normal(0, 1, 10)))
    assert 0.03 <= sets / 1000 <= 0.075


@pytest.mark.parametrize("seed", range(5))
def test_studentised_residuals_are_those_of_a_weighted_regression(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.uniform(20, 90, 9)
    y = 1.6 * x + rng.normal(0, 9, 9)
    peer = sm.OLS(y / np.sqrt(x), np.sqrt(x)).fit().get_influence()
    assert studentised_residuals(x, y) == pytest.approx(peer.resid_studentized_external, abs=1e-8)


def test_one_pair_off_an_exact_line_is_suspect() -> None:
    assert suspect_pairs([10, 20, 30, 40, 50], [15, 30, 45, 60, 90]) == (4,)
    assert suspect_pairs([10, 20, 30, 40, 50], [15, 30, 45, 60, 75]) == ()


def test_hand_counts_of_another_protocol_are_not_used_and_said() -> None:
    counts = [hand_count(i, 60, protocol=Protocol.ONE_FACE) for i in range(3)]
    factor, doubts = fit_hidden_fruit([tree(i, 40) for i in range(3)], counts)
    assert factor is None
    assert Doubt.OTHER_PROTOCOL in doubts


def test_a_hand_count_below_the_visible_count_is_used_and_named() -> None:
    counts = [hand_count(1, 30), hand_count(2, 70)]
    factor, doubts = fit_hidden_fruit([tree(1, 40), tree(2, 50)], counts)
    assert factor is not None
    assert factor.factor == pytest.approx(100 / 90)
    assert Doubt.HAND_BELOW_VISIBLE in doubts
    assert Doubt.FEW_HAND_COUNTS in doubts


def test_a_hand_count_of_another_month_is_not_paired() -> None:
    factor, doubts = fit_hidden_fruit(
        [tree(1, 40)], [hand_count(1, 60, on=WALK - timedelta(days=45))]
    )
    assert factor is None
    assert Doubt.NO_HAND_COUNTS in doubts


def test_pairs_of_strata_weigh_by_the_trees_they_stand_for() -> None:
    weights = {tree_id(0): 3.0, tree_id(1): 1.0}
    trees, counts = [tree(0, 40), tree(1, 50)], [hand_count(0, 60), hand_count(1, 100)]
    factor, _ = fit_hidden_fruit(trees, counts, FactorSources(weights=weights))
    assert factor is not None
    assert factor.factor == pytest.approx((3 * 60 + 100) / (3 * 40 + 50))


# ---------------------------------------------------------------- ratio or line


def test_a_line_is_not_tried_below_fifteen_pairs() -> None:
    x = np.arange(30.0, 44)
    assert choose_model(x, 20 + x).model == "ratio"
    assert [name for name, _ in choose_model(x, 20 + x).errors] == ["ratio"]
    x = np.arange(30.0, 45)
    choice = choose_model(x, 20 + x)
    assert choice.model == "line"
    assert dict(choice.errors)["line"] == pytest.approx(0, abs=1e-9)


def test_the_ratio_stays_where_a_line_predicts_no_better() -> None:
    rng = np.random.default_rng(4)
    lines = 0
    for _ in range(200):
        x = rng.uniform(30, 80, 20)
        lines += choose_model(x, 1.6 * x * rng.normal(1, 0.15, 20)).model == "line"
    assert lines < 20


def test_vigour_is_used_where_it_tells_more() -> None:
    rng = np.random.default_rng(5)
    x, vigour = rng.uniform(30, 80, 24), np.tile([1.0, 2.0, 3.0], 8)
    y = (1.2 + 0.2 * vigour) * x + rng.normal(0, 2, 24)
    choice = choose_model(x, y, vigour)
    assert choice.model == "vigour"
    assert [name for name, _ in choice.errors] == ["ratio", "line", "vigour"]


def test_left_out_errors_are_those_of_refitting_without_each_tree() -> None:
    rng = np.random.default_rng(6)
    x = rng.uniform(30, 80, 16)
    y = 12 + 1.3 * x + rng.normal(0, 4, 16)
    apart = []
    for i in range(16):
        rest = np.arange(16) != i
        fit = sm.WLS(y[rest], sm.add_constant(x[rest]), weights=1 / x[rest]).fit()
        apart.append(y[i] - fit.params @ [1, x[i]])
    found = dict(choose_model(x, y).errors)
    assert found["line"] == pytest.approx(np.sqrt(np.mean(np.square(apart))), abs=1e-8)


# ---------------------------------------------------------------- like blocks


def test_two_like_blocks_by_hand() -> None:
    # log K of 1.5 and 1.8; ten trees each. Relative scatter c² pooled; v = c²/10 (own: 1/10 − 1/20
    # for 20 photographed trees); t² from the two and the assumed 10 % that counts like four.
    rng = np.random.default_rng(8)
    x = rng.uniform(40, 80, 10)
    noise = rng.normal(0, 6, 10)
    noise -= noise.mean()
    own = BlockPairs(block_id="", visible=tuple(x), counted=tuple(1.5 * x + noise))
    like = BlockPairs(block_id="South", visible=tuple(x), counted=tuple(1.8 * x + noise))
    found = pool_pairs(own, [like], photographed=[60.0] * 20)
    d2 = float(np.sum(noise**2)) / 9
    c2 = d2 * (1 / (1.5 * x.mean()) ** 2 + 1 / (1.8 * x.mean()) ** 2) / 2
    v, apart = c2 / 10, np.log(1.8 / 1.5)
    t2 = (max(0.0, apart**2 / 2 - v) + 4 * 0.01) / 5
    towards = (v / 2) / (v / 2 + t2)
    assert np.log(found.ratio.ratio) == pytest.approx(np.log(1.5) + towards * apart / 2)
    variance = towards * t2 + towards**2 * (v + t2) / 2
    assert found.ratio.error / found.ratio.ratio == pytest.approx(variance**0.5)
    assert found.own_weight == pytest.approx(1 - towards)


def test_the_fewer_counts_a_block_has_the_more_it_leans_on_its_like() -> None:
    like = tuple(like_block(f"L{i}", SEEN, [2 * n for n in SEEN[::-1]]) for i in range(4))
    own = [(3 * n) // 2 for n in SEEN]
    factors = []
    for n in (1, 3, 10):
        trees = [tree(i, seen) for i, seen in enumerate([*SEEN, *[48] * 20])]
        counts = [hand_count(i, own[i]) for i in range(n)]
        factor, _ = fit_hidden_fruit(trees, counts, FactorSources(like_blocks=like))
        assert factor is not None
        factors.append(factor.factor)
    assert 2 > factors[0] > factors[1] > factors[2] > 1.5


def test_like_blocks_make_a_weak_factor_sure_and_are_named() -> None:
    alone = fitted([40, 48, 56], [60, 72, 84])
    like = (like_block("South", SEEN, COUNTED), like_block("West", SEEN, COUNTED))
    trees = [tree(i, seen) for i, seen in enumerate([40, 48, 56, 47, 52, 44, 50, 49])]
    counts = [hand_count(i, n) for i, n in enumerate((60, 72, 84))]
    factor, doubts = fit_hidden_fruit(trees, counts, FactorSources(like_blocks=like))
    assert factor is not None
    assert factor.factor_error < alone.factor_error / 2
    assert factor.pooled_blocks == ("South", "West")
    assert Doubt.FEW_HAND_COUNTS not in doubts
    assert "Counts of like blocks are in: South, West." in factor_words(factor, WALK)


def test_pooled_factors_are_covered_as_claimed() -> None:
    # Four like blocks with eight pairs, log K within 10 %, scatter 12 %; own pairs: 3 or none.
    rng = np.random.default_rng(9)
    for pairs in (0, 3):
        inside = 0
        for _ in range(600):
            truths = 1.6 * np.exp(rng.normal(0, 0.1, 5))
            blocks = []
            for number, (truth, n) in enumerate(zip(truths, [pairs, 8, 8, 8, 8], strict=True)):
                hand = rng.uniform(60, 120, n)
                seen = hand / truth * rng.normal(1, 0.12, n)
                blocks.append(
                    BlockPairs(block_id=f"{number}", visible=tuple(seen), counted=tuple(hand))
                )
            ratio = pool_pairs(blocks[0], blocks[1:], photographed=[60.0] * 2000).ratio
            found = factor_range(
                HiddenFruitFactor(
                    factor=ratio.ratio,
                    factor_error=ratio.error,
                    trees=pairs,
                    protocol=Protocol.TWO_FACES,
                    degrees_of_freedom=ratio.freedom,
                )
            )
            inside += found.p10 <= truths[0] <= found.p90
        # 80 %, and three standard errors of 600 draws.
        assert 0.75 <= inside / 600 <= 0.85


def test_like_blocks_of_another_protocol_detector_or_month_are_left_out() -> None:
    like = (
        like_block("South", SEEN, COUNTED, protocol=Protocol.ONE_FACE),
        like_block("West", SEEN, COUNTED, detector="other 2"),
        like_block("East", SEEN, COUNTED, on=WALK - timedelta(days=31)),
    )
    factor, doubts = fit_hidden_fruit([tree(1, 40)], [], FactorSources(like_blocks=like))
    assert factor is None
    assert set(doubts) == {Doubt.OTHER_PROTOCOL, Doubt.OTHER_DETECTOR, Doubt.NO_HAND_COUNTS}


def test_a_block_counted_whole_needs_no_like_blocks() -> None:
    like = (like_block("South", SEEN, [2 * n for n in SEEN]),)
    factor = fitted(SEEN, COUNTED, FactorSources(like_blocks=like))
    assert factor.factor == pytest.approx(1.5)


# ---------------------------------------------------------------- factors of earlier walks


JUNE = HiddenFruitFactor(
    factor=1.9,
    factor_error=0.08,
    trees=10,
    protocol=Protocol.TWO_FACES,
    counted_on=date(2026, 6, 20),
    detector="classical 1",
    degrees_of_freedom=9,
)


def use(factor: HiddenFruitFactor, on: date, **more: object) -> HiddenFruitFactor:
    given = {"protocol": Protocol.TWO_FACES, "detector": "classical 1", **more}
    return use_factor(factor, walked_on=on, **given)  # type: ignore[arg-type]


def test_scenario_27_a_factor_of_june_in_september_is_warned_about_with_its_age() -> None:
    september = date(2026, 9, 10)
    used = use(JUNE, september)
    assert factor_age_days(JUNE, september) == 82
    assert Doubt.OLD_FACTOR in used.doubts
    assert any("82 days older than the photos" in words for words in factor_words(used, september))
    # A tenth of change is taken into its error.
    assert used.factor_error == pytest.approx((0.08**2 + 0.19**2) ** 0.5)


def test_a_factor_of_three_weeks_ago_is_used_as_it_is() -> None:
    assert use(JUNE, date(2026, 7, 11)) == JUNE
    assert len(factor_words(JUNE, date(2026, 7, 11))) == 1


def test_scenario_18_a_factor_of_two_faces_is_refused_for_one_face() -> None:
    with pytest.raises(FieldDataError, match="of photos of two faces, these show one face"):
        use(JUNE, WALK, protocol=Protocol.ONE_FACE)


def test_scenario_26_a_factor_of_another_detector_waits_for_a_yes() -> None:
    with pytest.raises(FieldDataError, match="told with the detector 'classical 1'"):
        use(JUNE, WALK, detector="classical 2")
    used = use(JUNE, WALK, detector="classical 2", confirmed=True)
    assert Doubt.OTHER_DETECTOR in used.doubts


def test_errors_of_counts_cancel_within_a_detector_and_not_between_two() -> None:
    same = use(JUNE, date(2026, 7, 11), count_error=0.10)
    assert same == JUNE
    other = use(JUNE, date(2026, 7, 11), detector="learned 1", confirmed=True, count_error=0.10)
    # Two errors of 10 % of 1.9 beside the factor's own 0.08.
    assert other.factor_error == pytest.approx((0.08**2 + 2 * 0.19**2) ** 0.5)


def test_the_newest_earlier_factor_that_fits_is_taken() -> None:
    july = replace(JUNE, factor=1.7, counted_on=date(2026, 7, 20))
    one_face = replace(july, protocol=Protocol.ONE_FACE, counted_on=date(2026, 8, 1))
    sources = FactorSources(detector="classical 1", earlier=(JUNE, one_face, july))
    factor, doubts = fit_hidden_fruit([tree(1, 40)], [], sources)
    assert factor is not None
    assert factor.factor == 1.7
    assert doubts == ()
    other = replace(sources, detector="classical 2")
    nothing, why = fit_hidden_fruit([tree(1, 40)], [], other)
    assert nothing is None
    assert set(why) == {Doubt.OTHER_PROTOCOL, Doubt.OTHER_DETECTOR, Doubt.NO_HAND_COUNTS}
    agreed, why = fit_hidden_fruit([tree(1, 40)], [], replace(other, confirmed=True))
    assert agreed is not None
    assert Doubt.OTHER_DETECTOR in why


def test_own_counts_of_this_walk_go_before_earlier_factors() -> None:
    sources = FactorSources(detector="classical 1", earlier=(JUNE,))
    assert fitted(SEEN, COUNTED, sources).factor == pytest.approx(1.5)

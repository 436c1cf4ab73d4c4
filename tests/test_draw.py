"""The simulation: what is shared stays shared, picks add up, and ranges come true."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from fruitvision.domain import BlockInputs, ClassCull, Doubt, GrowthRate, WeightRule
from fruitvision.errors import ForecastError
from fruitvision.forecast.crop_draws import CropDraws, add_draws
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.growth import Weather, grow_to, growth_shift_mm
from fruitvision.forecast.inputs import default_inputs, what_if
from fruitvision.forecast.shared import Array, draw_shared, drawn_share
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from tests.forecast_records import (
    EXACT,
    GROWTH,
    TABLE,
    block_estimate,
    block_inputs,
    exact_sizes,
    sizes,
)
from tests.records import PICK, WALK

SETTINGS = Settings(draws=2000)
COUNTS = load_size_table("box_counts_42lb")


def drawn(inputs: BlockInputs, settings: Settings = SETTINGS, table=TABLE) -> CropDraws:  # type: ignore[no-untyped-def]
    return draw_block(inputs, table, settings, draw_shared(settings))


def exact_inputs(**dials) -> BlockInputs:  # type: ignore[no-untyped-def]
    estimate = block_estimate(with_sizes=exact_sizes(), error=0)
    growth = replace(GROWTH, mm3_per_day_error=0)
    return block_inputs(estimate, growth=growth, settings=EXACT, **dials)


def test_all_errors_at_nothing_give_the_arithmetic_of_the_chain() -> None:
    # 1,000 trees × 75 fruit × 0.96 = 72,000; mean mass 3.8e-4·E[D³] of the grown fruit.
    crop = drawn(exact_inputs(), EXACT)
    today = np.array(exact_sizes().quantiles_mm)
    at_pick = grow_to(today, mm3_per_day=4000, days=22)
    assert np.mean(at_pick**3) == pytest.approx(np.mean(today**3) + 88_000)
    assert crop.fruit == pytest.approx(np.full(200, 72_000))
    assert crop.diameter_mm == pytest.approx(np.full(200, at_pick.mean()), abs=0.01)
    assert crop.tonnes[0] == pytest.approx(72_000 * 3.8e-4 * np.mean(at_pick**3) / 1e6, rel=1e-3)
    in_table = np.mean((at_pick >= 60) & (at_pick < 90))
    assert crop.class_fruit[0, 1:3].sum() / 72_000 == pytest.approx(in_table, abs=0.01)
    kg = crop.cartons[0].sum() * 18
    assert kg == pytest.approx(crop.tonnes[0] * 1000 * 0.8, rel=0.01)


def test_same_in_same_out_and_one_block_does_not_move_another() -> None:
    first = drawn(block_inputs())
    again = drawn(block_inputs())
    assert np.array_equal(first.cartons, again.cartons)
    other = drawn(block_inputs(block_estimate("Gala South", with_sizes=sizes())))
    assert not np.array_equal(first.fruit, other.fruit)


def test_what_changes_one_link_does_not_redraw_the_others() -> None:
    usual = drawn(block_inputs())
    faster = drawn(block_inputs(growth=replace(GROWTH, mm3_per_day=5000)))
    assert np.array_equal(usual.fruit, faster.fruit)
    assert np.all(faster.diameter_mm > usual.diameter_mm)


def test_shared_errors_do_not_average_out_over_the_farm() -> None:
    crops = [
        drawn(block_inputs(block_estimate(f"Block {i}", with_sizes=sizes()))) for i in range(12)
    ]
    total = add_draws(crops)
    independent = np.sqrt(sum(np.var(crop.cartons.sum(axis=1)) for crop in crops))
    assert total.cartons.sum(axis=1).std() > 2 * independent
    assert total.fruit == pytest.approx(sum(crop.fruit for crop in crops))
    # Totals are the sums of the blocks' means.
    assert total.fruit.mean() == pytest.approx(sum(crop.fruit.mean() for crop in crops))
    assert total.cartons.mean(axis=0) == pytest.approx(
        np.sum([crop.cartons.mean(axis=0) for crop in crops], axis=0)
    )


def _fruit_only(name: str, pooled: tuple[str, ...]) -> BlockInputs:
    estimate = block_estimate(name)
    factor = replace(estimate.factor, factor_error=0.12, pooled_blocks=pooled)
    return block_inputs(replace(estimate, factor=factor), settings=EXACT)


def test_a_pooled_hidden_fruit_factor_errs_for_its_whole_group() -> None:
    # Fruit per tree err by 6/75 = 8 %; the factor's 0.12/1.5 = 8 % is all of it.
    settings = replace(EXACT, draws=4000)
    a = drawn(_fruit_only("A", ("B",)), settings).fruit
    b = drawn(_fruit_only("B", ("A",)), settings).fruit
    alone = drawn(_fruit_only("C", ()), settings).fruit
    assert np.corrcoef(a, b)[0, 1] > 0.9
    assert abs(np.corrcoef(a, alone)[0, 1]) < 0.06
    # The range of one block is the same, pooled or not.
    assert a.std() == pytest.approx(alone.std(), rel=0.1)


def test_only_what_like_blocks_have_in_common_errs_for_all_of_them() -> None:
    settings = replace(EXACT, draws=4000)

    def fruit(name: str, other: str) -> np.ndarray:
        inputs = _fruit_only(name, (other,))
        factor = inputs.estimate.factor
        assert factor is not None
        # Half of the factor's error is common, and the factor's is all of the fruit's.
        half = replace(factor, common_error=0.06)
        return drawn(
            replace(inputs, estimate=replace(inputs.estimate, factor=half)), settings
        ).fruit

    together = np.corrcoef(fruit("A", "B"), fruit("B", "A"))[0, 1]
    assert together == pytest.approx(0.25, abs=0.05)


def test_growth_that_is_not_a_blocks_own_errs_for_all_blocks() -> None:
    settings = replace(EXACT, draws=4000)

    def diameters(name: str, *doubts: Doubt) -> np.ndarray:
        estimate = block_estimate(name, with_sizes=exact_sizes())
        growth = replace(GROWTH, doubts=doubts)
        found = drawn(block_inputs(estimate, growth=growth, settings=settings), settings)
        assert found.diameter_mm is not None
        return found.diameter_mm

    for doubt in (Doubt.DEFAULT_GROWTH, Doubt.SISTER_GROWTH, Doubt.FARM_GROWTH):
        assert np.corrcoef(diameters("A", doubt), diameters("B", doubt))[0, 1] > 0.99
    assert abs(np.corrcoef(diameters("A"), diameters("B"))[0, 1]) < 0.06


def test_a_weight_rule_of_its_own_errs_for_its_variety() -> None:
    settings = replace(EXACT, draws=4000)
    rule = WeightRule(factor=4e-4, power=3.0, factor_error=0.03, scatter=0.1, source="60 fruit")

    def grams(name: str, variety: str) -> np.ndarray:
        estimate = block_estimate(name, with_sizes=exact_sizes(), error=0)
        estimate = replace(estimate, block=replace(estimate.block, variety=variety))
        growth = replace(GROWTH, mm3_per_day_error=0)
        found = drawn(
            replace(block_inputs(estimate, growth=growth, settings=settings), weight=rule), settings
        )
        assert found.tonnes is not None
        return found.tonnes / found.fruit

    gala = grams("A", "Gala")
    assert gala == pytest.approx(grams("B", "Gala"))
    assert abs(np.corrcoef(gala, grams("C", "Fuji"))[0, 1]) < 0.06
    assert gala.std() / gala.mean() == pytest.approx(0.03, rel=0.1)


def test_an_unsure_register_widens_the_number_of_fruit() -> None:
    settings = replace(EXACT, draws=4000)
    estimate = replace(block_estimate(error=0), bearing_trees=900.0, bearing_trees_error=45.0)
    fruit = drawn(block_inputs(estimate, settings=settings), settings).fruit
    assert fruit.mean() == pytest.approx(900 * 75 * 0.96, rel=0.005)
    assert fruit.std() / fruit.mean() == pytest.approx(0.05, rel=0.1)


def test_without_hand_counts_there_are_no_cartons_and_without_sizes_no_millimetres() -> None:
    visible_only = drawn(block_inputs(block_estimate(with_sizes=sizes(), counted=0)))
    assert visible_only.cartons is None
    assert visible_only.tonnes is None
    assert visible_only.diameter_mm is not None
    count_only = drawn(block_inputs(block_estimate()))
    assert count_only.diameter_mm is None
    total = add_draws([count_only, drawn(block_inputs(block_estimate("B", with_sizes=sizes())))])
    assert total.cartons is None
    assert total.diameter_mm is None
    assert total.fruit.mean() > 100_000


# ---------------------------------------------------------------- picks


def test_the_sum_of_the_picks_is_the_crop_of_one_pick() -> None:
    one, three = drawn(block_inputs()), drawn(block_inputs(shares=(0.35, 0.33, 0.32)))
    assert three.fruit == pytest.approx(one.fruit)
    assert three.fruit == pytest.approx(np.sum([p.fruit for p in three.passes], axis=0))
    assert three.tonnes == pytest.approx(np.sum([p.tonnes for p in three.passes], axis=0))
    assert three.cartons == pytest.approx(np.sum([p.cartons for p in three.passes], axis=0))
    assert three.class_fruit.sum(axis=1) == pytest.approx(three.fruit)
    # Each pass takes its share in every draw.
    for one_pass, share in zip(three.passes, (0.35, 0.33, 0.32), strict=True):
        assert one_pass.fruit == pytest.approx(share * three.fruit)


def test_the_first_colour_pick_has_the_largest_fruit_for_its_day() -> None:
    # Three passes on the same fruit: without growth, size falls from pass to pass.
    estimate = block_estimate(with_sizes=exact_sizes())
    still = replace(GROWTH, mm3_per_day=0, mm3_per_day_error=0)
    passes = drawn(block_inputs(estimate, growth=still, shares=(0.35, 0.33, 0.32)), EXACT).passes
    means = [one.diameter_mm.mean() for one in passes]
    assert means[0] > means[1] + 2 > means[2] + 4
    assert np.average(means, weights=(0.35, 0.33, 0.32)) == pytest.approx(68.0, abs=1e-6)


def test_what_is_left_on_the_tree_does_not_come_in() -> None:
    all_in = drawn(exact_inputs(shares=(0.6, 0.4)), EXACT)
    some = drawn(exact_inputs(shares=(0.6, 0.4), left_share=0.25), EXACT)
    assert some.fruit == pytest.approx(0.9 * all_in.fruit)
    none = drawn(exact_inputs(shares=(0.6, 0.4), left_share=1.0), EXACT)
    assert none.fruit == pytest.approx(0.6 * all_in.fruit)
    assert none.passes[1].cartons.sum() == 0


def test_the_error_of_what_is_left_moves_the_last_pass() -> None:
    inputs = exact_inputs(shares=(0.6, 0.4), left_share=0.25)
    unsure = replace(inputs, plan=replace(inputs.plan, left_share_error=0.1))
    settings = replace(EXACT, draws=4000)
    crop = drawn(unsure, settings)
    assert crop.passes[0].fruit.std() == pytest.approx(0, abs=1e-6)
    last = crop.passes[1].fruit / 72_000
    assert last.mean() == pytest.approx(0.3, rel=0.02)
    assert last.std() == pytest.approx(0.4 * 0.1, rel=0.1)
    assert crop.tonnes == pytest.approx(np.sum([p.tonnes for p in crop.passes], axis=0))


def test_an_unsure_date_shifts_the_day_and_the_size_together() -> None:
    crop = drawn(exact_inputs(date_error_days=4.0), EXACT)
    one = crop.passes[0]
    assert one.days_late.std() == pytest.approx(4, rel=0.2)
    assert one.diameter_mm is not None
    assert np.corrcoef(one.days_late, one.diameter_mm)[0, 1] > 0.99
    # 4000 mm³ a day at 74 mm: 0.24 mm a day.
    slope = np.polyfit(one.days_late, one.diameter_mm, 1)[0]
    assert slope == pytest.approx(4000 / (3 * 73.6**2), rel=0.05)


def test_a_later_pick_gives_larger_fruit_and_a_wider_range() -> None:
    near = drawn(block_inputs())
    far = drawn(what_if(block_inputs(), SETTINGS, days=20))
    assert far.diameter_mm.mean() > near.diameter_mm.mean() + 3
    assert far.diameter_mm.std() > near.diameter_mm.std()


def test_five_days_more_add_a_millimetre_and_a_half_at_three_tenths_a_day() -> None:
    # 0.30 mm a day at 71 mm, today's pick against five days later.
    growth = replace(GROWTH, mm3_per_day=0.30 * 3 * 71**2, mm3_per_day_error=300.0)
    estimate = block_estimate(with_sizes=sizes(mean_mm=71.0), pick_date=WALK)
    now = block_inputs(estimate, growth=growth)
    later = what_if(now, SETTINGS, days=5)
    gain = drawn(later).diameter_mm.mean() - drawn(now).diameter_mm.mean()
    assert gain == pytest.approx(1.5, abs=0.1)


def test_fruit_gain_the_mm_of_those_that_were_measured() -> None:
    # The tagged fruit are 72 mm, the block's 68: both gain the same mm, three tenths a day.
    days = (PICK - WALK).days
    rate = growth_of_mm(72.0, 0.3 * days) / days
    growth = GrowthRate(
        mm3_per_day=rate,
        mm3_per_day_error=0,
        source="calipers",
        measured_mm=72.0,
        measured_on=WALK,
    )
    inputs = exact_inputs()
    found = drawn(replace(inputs, growth=growth), EXACT).diameter_mm
    assert found == pytest.approx(68.0 + 0.3 * days, abs=0.02)
    # Measured ten days before the walk, they have grown by the same line since.
    earlier = replace(growth, measured_on=WALK - timedelta(days=10))
    at_walk = 72.0 + float(growth_shift_mm(72.0, 5.0, 10 * rate))
    mm = float(growth_shift_mm(at_walk, 5.0, rate * days))
    found = drawn(replace(inputs, growth=earlier), EXACT).diameter_mm
    assert found == pytest.approx(68.0 + mm, abs=0.02)


def growth_of_mm(mean_mm: float, mm: float) -> float:
    """Gain of the mean cube of fruit with a spread of 5 mm that all gain so many mm."""
    return (mean_mm + mm) ** 3 - mean_mm**3 + 3 * 25 * mm


def test_dry_weather_makes_smaller_fruit_than_wet() -> None:
    means = [
        drawn(what_if(block_inputs(), SETTINGS, weather=w)).diameter_mm.mean()
        for w in (Weather.DRY, Weather.NORMAL, Weather.WET)
    ]
    assert means[0] < means[1] < means[2]
    # 22 days × 4000 mm³ × 15 % at 73 mm: 0.8 mm.
    assert means[1] - means[0] == pytest.approx(0.8, abs=0.1)


# ---------------------------------------------------------------- losses


def test_culls_by_class_take_from_that_class_only() -> None:
    inputs = exact_inputs()
    culls = (ClassCull(size_class="75-90", cull_share=0.5),)
    other = replace(inputs, losses=replace(inputs.losses, culls_by_class=culls))
    usual, fewer = drawn(inputs, EXACT).cartons, drawn(other, EXACT).cartons
    assert fewer[:, 0] == pytest.approx(usual[:, 0])
    assert fewer[:, 1] == pytest.approx(usual[:, 1] * 0.5 / 0.8)


def test_a_class_with_its_own_error_of_culls_is_drawn_with_it() -> None:
    def cartons(error: float | None) -> Array:
        culls = (ClassCull(size_class="75-90", cull_share=0.4, cull_share_error=error),)
        losses = replace(inputs.losses, culls_by_class=culls)
        return drawn(replace(inputs, losses=losses), EXACT).cartons

    inputs = exact_inputs()
    known, narrow, wide = cartons(0.0), cartons(0.02), cartons(0.04)
    assert wide[:, 0] == pytest.approx(known[:, 0])
    assert wide[:, 1] - known[:, 1] == pytest.approx(2 * (narrow - known)[:, 1])
    # All else is exact: 0.04 of the 0.6 that are packed on average, give or take the draws' chance.
    assert np.std(wide[:, 1]) / known[0, 1] == pytest.approx(0.04 / 0.6, rel=0.12)
    assert cartons(None) == pytest.approx(known)


def test_a_drawn_share_stays_a_share() -> None:
    normal = np.array([-5.0, 0.0, 5.0])
    assert drawn_share(0.2, 0.1, normal) == pytest.approx([0, 0.2, 0.7])
    assert drawn_share(0.9, 0.1, normal) == pytest.approx([0.4, 0.9, 0.95])
    assert drawn_share(1.0, 0.0, normal) == pytest.approx([1, 1, 1])


def test_trays_are_packed_by_number() -> None:
    crop = drawn(exact_inputs(), EXACT, table=COUNTS)
    column = [c.name for c in COUNTS.classes].index("113")
    packed = crop.class_fruit[:, column + 1] * 0.8
    assert crop.cartons[:, column] == pytest.approx(packed / 113)


# ---------------------------------------------------------------- bad input


def test_a_pick_before_the_photos_or_no_pick_date_is_refused() -> None:
    early = what_if(block_inputs(), SETTINGS, days=(WALK - PICK).days - 1)
    with pytest.raises(ForecastError, match="before the photos"):
        drawn(early)
    with pytest.raises(ForecastError, match="no pick date"):
        default_inputs(block_estimate(pick_date=None), GROWTH, SETTINGS)
    with pytest.raises(ForecastError, match="two seasons"):
        drawn(what_if(block_inputs(), SETTINGS, days=365))


def test_losses_and_weights_that_cannot_be_are_refused() -> None:
    inputs = block_inputs()
    with pytest.raises(ForecastError, match=r"drop share of Gala North is 1\.1"):
        drawn(replace(inputs, losses=replace(inputs.losses, drop_share=1.1)))
    with pytest.raises(ForecastError, match=r"cull share of class 60-75 is 1\.5"):
        drawn(replace(inputs, losses=replace(inputs.losses, cull_share=1.5)))
    with pytest.raises(ForecastError, match=r"power -0\.5"):
        drawn(replace(inputs, weight=replace(inputs.weight, power=-0.5)))


def test_simulated_ranges_hold_the_truth_as_often_as_they_claim() -> None:
    # 300 seasons: the true block differs from the estimate by the stated errors; a P10-P90 range
    # must hold the true number of fruit in about 80 % (standard error 2.3 points).
    rng = np.random.default_rng(9)
    settings = Settings(draws=500)
    inside = 0
    for season in range(300):
        inputs = block_inputs(block_estimate(f"Block {season}"), settings=settings)
        true_mean = 75 + 6 * rng.standard_t(15)
        true_drop = 0.04 + 0.02 * rng.standard_normal()
        truth = 1000 * true_mean * (1 - true_drop)
        low, high = np.quantile(drawn(inputs, settings).fruit, (0.1, 0.9))
        inside += low <= truth <= high
    assert 0.73 <= inside / 300 <= 0.87


def test_a_draw_without_any_fruit_has_a_diameter_all_the_same() -> None:
    # 40 ± 60 fruit a tree: in many draws none hang.
    inputs = block_inputs(block_estimate(with_sizes=sizes(), error=60.0, trees=3))
    settings = Settings(draws=400)
    drawn = draw_block(inputs, TABLE, settings, draw_shared(settings))
    assert drawn.diameter_mm is not None
    assert (drawn.fruit == 0).any()
    assert drawn.diameter_mm.min() > 40
    assert add_draws([drawn]).diameter_mm == pytest.approx(drawn.diameter_mm)

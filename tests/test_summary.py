"""P10 to P90 by class, pass and week; gates; words; quantiles per use."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import norm

from fruitvision.domain import (
    BlockInputs,
    ClassCull,
    CropForecast,
    Doubt,
    Estimate,
    UseQuantiles,
)
from fruitvision.errors import ForecastError, SettingsError
from fruitvision.forecast.crop_draws import CropDraws, add_draws
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.inputs import what_if
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import (
    Heading,
    estimate_of,
    forecast_doubts,
    pick_forecasts,
    summarise,
)
from fruitvision.forecast.words import losses_words, quantile_of_use, rests_on, use_quantiles
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from tests.forecast_records import TABLE, block_estimate, block_inputs, sizes
from tests.records import PICK, WALK

SETTINGS = Settings(draws=2000)
COUNTS = load_size_table("box_counts_42lb")
HEADING = Heading(name="x", variety="Gala", pick_date=PICK, rests_on="Rests on 12 trees.")


def drawn(inputs: BlockInputs, table=TABLE) -> CropDraws:  # type: ignore[no-untyped-def]
    return draw_block(inputs, table, SETTINGS, draw_shared(SETTINGS))


def summary(crop: CropDraws, table=TABLE) -> CropForecast:  # type: ignore[no-untyped-def]
    return summarise(crop, HEADING, table, SETTINGS)


def few_trees(name: str = "Small") -> BlockInputs:
    return block_inputs(block_estimate(name, with_sizes=sizes(), trees=7))


def test_summary_is_ordered_and_its_shares_add_up() -> None:
    crop = drawn(block_inputs())
    result = summary(crop)
    assert [row.size_class for row in result.classes] == [
        "undersize",
        "60-75",
        "75-90",
        "oversize",
    ]
    assert crop.class_fruit.sum(axis=1) == pytest.approx(crop.fruit)
    assert result.classes[0].cartons.p90 == 0
    assert result.bins.p50 == pytest.approx(result.tonnes.p50 * 1000 / 381)
    assert (result.name, result.pick_date, result.rests_on) == ("x", PICK, "Rests on 12 trees.")
    # Columns at once and one by one are the same.
    assert result.classes[1].cartons == estimate_of(crop.cartons[:, 0])


# ---------------------------------------------------------------- gates


def test_fewer_than_eight_trees_have_no_cartons_by_class() -> None:
    result = summary(drawn(few_trees()))
    assert result.classes == ()
    assert result.cartons is not None
    assert {row.size_class for row in result.weeks} == {"all"}
    assert summary(drawn(block_inputs(block_estimate(with_sizes=sizes(), trees=8)))).classes


def test_a_total_has_classes_if_most_of_it_rests_on_enough_trees() -> None:
    good = [drawn(block_inputs(block_estimate(f"Good {i}", with_sizes=sizes()))) for i in range(4)]
    assert summary(add_draws([drawn(few_trees()), *good])).classes
    assert summary(add_draws([drawn(few_trees()), *good[:2]])).classes == ()


def test_without_a_hidden_fruit_factor_there_are_visible_fruit_only() -> None:
    result = summary(drawn(block_inputs(block_estimate(with_sizes=sizes(), counted=0))))
    assert result.cartons is None
    assert (result.classes, result.weeks) == ((), ())
    assert result.fruit.p50 > 60_000


def test_far_ahead_only_the_peak_classes_have_a_row() -> None:
    near = summary(drawn(block_inputs(), COUNTS), COUNTS)
    crop = drawn(what_if(block_inputs(), SETTINGS, days=45), COUNTS)
    far = summary(crop, COUNTS)
    assert len(near.classes) == 16
    names = [row.size_class for row in far.classes]
    assert (names[0], names[-1], len(names)) == ("smaller", "larger", 6)
    # The four that hold most fruit, side by side; the rest is in the two merged rows.
    means = crop.class_fruit.mean(axis=0)[1:-1]
    best = max(range(11), key=lambda first: means[first : first + 4].sum())
    assert names[1:-1] == [c.name for c in COUNTS.classes[best : best + 4]]
    merged = crop.cartons[:, :best].sum(axis=1)
    assert far.classes[0].cartons.p50 == pytest.approx(np.median(merged))
    shares = crop.class_fruit[:, : best + 1].sum(axis=1) / crop.fruit
    assert far.classes[0].share.p50 == pytest.approx(np.median(shares))
    assert {row.size_class for row in far.weeks} <= {"all", *names}


def test_sixty_days_ahead_is_not_yet_far() -> None:
    at_60 = what_if(block_inputs(), SETTINGS, days=60 - (PICK - WALK).days)
    assert Doubt.FAR_AHEAD not in forecast_doubts(at_60, SETTINGS)
    assert len(summary(drawn(at_60, COUNTS), COUNTS).classes) == 16
    at_61 = what_if(at_60, SETTINGS, days=1)
    assert Doubt.FAR_AHEAD in forecast_doubts(at_61, SETTINGS)
    assert len(summary(drawn(at_61, COUNTS), COUNTS).classes) == 6


def test_culls_are_called_assumed_until_the_farm_gives_its_own() -> None:
    inputs = block_inputs()
    assert Doubt.ASSUMED_CULLS in forecast_doubts(inputs, SETTINGS)
    own = replace(inputs.losses, culls_by_class=(ClassCull(size_class="60-75", cull_share=0.15),))
    assert Doubt.ASSUMED_CULLS not in forecast_doubts(replace(inputs, losses=own), SETTINGS)
    assert Doubt.DEFAULT_WEIGHT in forecast_doubts(inputs, SETTINGS)
    # How much is assumed is told too, and only while it is.
    words = losses_words([inputs])
    drop, culls = SETTINGS.drop_share, SETTINGS.cull_share
    assert f"{100 * drop:g} % of the fruit drop" in words
    assert f"{100 * culls:g} % of what is picked are culled" in words
    assert losses_words([replace(inputs, losses=own)]) == ""


# ---------------------------------------------------------------- passes and weeks


def test_every_pass_has_its_line() -> None:
    crop = drawn(block_inputs(shares=(0.35, 0.33, 0.32)))
    passes = pick_forecasts(crop, SETTINGS)
    assert [one.pick_date for one in passes] == [PICK + timedelta(days=7 * i) for i in range(3)]
    assert passes[0].fruit == estimate_of(crop.passes[0].fruit)
    assert passes[0].cartons is not None
    assert passes[0].bins is not None
    assert sum(one.fruit.p50 for one in passes) == pytest.approx(
        float(np.median(crop.fruit)), rel=1e-9
    )


def test_weeks_hold_the_passes_by_their_mondays() -> None:
    # 3 September 2026 is a Thursday; passes a week apart.
    crop = drawn(block_inputs(shares=(0.35, 0.65)))
    result = summary(crop)
    mondays = [date(2026, 8, 31), date(2026, 9, 7)]
    assert sorted({row.week for row in result.weeks}) == mondays
    first = next(r for r in result.weeks if r.week == mondays[0] and r.size_class == "75-90")
    assert first.cartons == estimate_of(crop.passes[0].cartons[:, 1])
    whole = next(r for r in result.weeks if r.week == mondays[1] and r.size_class == "all")
    assert whole.cartons == estimate_of(crop.passes[1].cartons.sum(axis=1))


def test_an_unsure_date_spreads_the_cartons_over_weeks() -> None:
    crop = drawn(block_inputs(date_error_days=7.0))
    weeks = [row for row in summary(crop).weeks if row.size_class == "all"]
    assert len(weeks) == 3
    # Thursday ± 7 days (rounded): the week itself from −3 to +3 days, 38 %.
    inside = norm.cdf(3.5 / 7) - norm.cdf(-3.5 / 7)
    share = np.mean(np.abs(crop.passes[0].days_late) <= 3)
    assert share == pytest.approx(inside, abs=0.04)
    assert weeks[1].cartons.p50 == 0
    assert weeks[1].cartons.p90 > 0


def test_the_weeks_of_a_farm_add_up_its_blocks() -> None:
    a = drawn(block_inputs())
    b = drawn(what_if(block_inputs(block_estimate("B", with_sizes=sizes())), SETTINGS, days=2))
    weeks = [row for row in summary(add_draws([a, b])).weeks if row.size_class == "all"]
    assert [row.week for row in weeks] == [date(2026, 8, 31)]
    assert weeks[0].cartons == estimate_of((a.cartons + b.cartons).sum(axis=1))


# ---------------------------------------------------------------- words and uses


def test_what_a_forecast_rests_on_is_said() -> None:
    no_counts = block_inputs(block_estimate(counted=0, trees=6))
    assert rests_on([no_counts]) == "Rests on 6 trees and no hand counts of this season."
    sized = block_inputs()
    assert rests_on([sized]) == (
        "Rests on 12 trees and 10 hand counts; growth: calipers, 21 days; weight: general rule."
    )
    assert rests_on([sized, no_counts]).startswith(
        "Rests on 18 trees of 2 blocks and 10 hand counts;"
    )
    many = [
        replace(sized, growth=replace(sized.growth, source=source)) for source in ("a", "b", "c")
    ]
    assert "growth from 3 sources" in rests_on(many)
    one = block_inputs(block_estimate(counted=1, trees=1))
    assert rests_on([one]) == "Rests on 1 tree and 1 hand count."


def test_hand_counts_of_another_season_do_not_count() -> None:
    estimate = block_estimate()
    old = replace(estimate.factor, counted_on=WALK - timedelta(days=350))
    assert "no hand counts of this season" in rests_on(
        [block_inputs(replace(estimate, factor=old))]
    )
    new = replace(estimate.factor, counted_on=WALK - timedelta(days=35))
    assert "10 hand counts" in rests_on([block_inputs(replace(estimate, factor=new))])


def test_each_use_has_its_quantile() -> None:
    quantiles = use_quantiles(Settings(promise_quantile=0.2, bins_quantile=0.9))
    assert quantiles == UseQuantiles(promise=0.2, labour=0.5, bins=0.9)
    # A normal distribution of mean 100 and sd 10.
    low, mid, high = norm.ppf((0.1, 0.5, 0.9), 100, 10)
    normal = Estimate(low, mid, high)
    assert quantile_of_use(normal, "promise", quantiles) == pytest.approx(norm.ppf(0.2, 100, 10))
    assert quantile_of_use(normal, "labour", quantiles) == pytest.approx(100)
    assert quantile_of_use(normal, "bins", quantiles) == pytest.approx(high)
    skewed = Estimate(90, 100, 130)
    usual = use_quantiles(Settings())
    assert quantile_of_use(skewed, "promise", usual) == pytest.approx(90)
    assert quantile_of_use(skewed, "bins", usual) == pytest.approx(
        100 + 30 * norm.ppf(0.85) / norm.ppf(0.9)
    )
    assert quantile_of_use(Estimate(0, 5, 30), "promise", replace(usual, promise=0.01)) == 0


def test_an_unknown_use_and_an_impossible_quantile_are_refused() -> None:
    with pytest.raises(ForecastError, match="no use 'bin'") as refusal:
        quantile_of_use(Estimate(1, 2, 3), "bin", use_quantiles(Settings()))
    assert "Did you mean 'bins'" in refusal.value.fix
    for value in (0.0, 1.0):
        with pytest.raises(SettingsError, match="promise_quantile"):
            Settings(promise_quantile=value)

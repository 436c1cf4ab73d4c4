"""Bins and pickers by pass and day: the arithmetic, what adds up, and what is marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from fruitvision.domain import BlockInputs, Forecast, GrowthRate, Pick, UseQuantiles
from fruitvision.errors import ForecastError
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.season import Season
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import pick_forecasts
from fruitvision.harvest import HarvestCalendar, harvest_calendar, pick_days, picker_days
from fruitvision.report import harvest_lines
from fruitvision.settings import Settings, all_settings_to_text
from tests.forecast_records import EXACT, TABLE, block_estimate, block_inputs, exact_sizes, sizes
from tests.records import PICK
from tests.test_bridge import forecast_of

SETTINGS = Settings(draws=400)


def kept(inputs: Sequence[BlockInputs], settings: Settings = SETTINGS) -> Forecast:
    return replace(
        forecast_of(*inputs),
        table=TABLE,
        settings_text=all_settings_to_text(settings),
        quantiles=UseQuantiles(promise=0.1, labour=0.5, bins=0.85),
    )


def three_passes(name: str = "Gala North", *, date_error_days: float = 0.0) -> BlockInputs:
    estimate = block_estimate(name, with_sizes=sizes())
    return block_inputs(estimate, shares=(0.4, 0.35, 0.25), date_error_days=date_error_days)


def calendar_of(*inputs: BlockInputs, settings: Settings = SETTINGS) -> HarvestCalendar:
    return harvest_calendar(kept(inputs), settings)


def test_bins_by_picks_and_a_crew_of_ten_as_worked_out_by_hand() -> None:
    # 105 bins of 2,000 fruit, picks of 40, 35 and 25 %, 4 bins a picker and day, 10 pickers.
    bins = 105 * np.array([0.40, 0.35, 0.25])
    days = picker_days(2000 * bins, bins_per_picker_day=4, bin_kg=381)
    assert bins.tolist() == pytest.approx([42, 36.75, 26.25])
    assert (days / 10).tolist() == pytest.approx([1.05, 0.92, 0.66], abs=0.005)


def test_the_same_block_in_the_calendar_with_its_p90() -> None:
    # 105 bins of 2,000 fruit of one size, 190.5 g: 79.45 mm by the general rule. 1,000 trees, of
    # whose fruit 4 % fall.
    mm = (190.5 / 3.8e-4) ** (1 / 3)
    alike = replace(exact_sizes(mean_mm=mm), quantiles_mm=(mm,) * 9, sd_mm=0.0)
    exact = block_estimate(with_sizes=alike, error=0.0)
    exact = replace(exact, fruit_per_tree_mean=210_000 / 0.96 / 1000)
    still = GrowthRate(mm3_per_day=0, mm3_per_day_error=0, source="none")
    shares = (0.40, 0.35, 0.25)
    inputs = block_inputs(exact, settings=EXACT, growth=still, shares=shares)
    crew = replace(EXACT, bins_per_picker_day=4, picker_pace_error=0, crew=10)
    calendar = harvest_calendar(kept([inputs], EXACT), crew)
    bins = [one.need.bins.p50 for one in calendar.days]
    assert bins == pytest.approx([42, 36.75, 26.25], rel=1e-3)
    days = [one.need.picker_days.p50 / crew.crew for one in calendar.days]
    assert days == pytest.approx([1.05, 0.92, 0.66], abs=0.005)
    assert [one.pickers_short for one in calendar.days] == [1, 0, 0]
    # With errors P90 is above P50, and is shown.
    unsure = harvest_calendar(kept([three_passes()]), replace(SETTINGS, bins_per_picker_day=4))
    lines = "\n".join(harvest_lines(unsure))
    for one in unsure.days:
        assert one.need.picker_days.p90 > one.need.picker_days.p50
        digits = int(one.need.bins.p90 < 10)
        assert f"–{one.need.bins.p90:.{digits}f})" in lines


def test_fruit_of_several_picks_are_more_alike_than_those_of_one() -> None:
    # The small ones hang on and grow: picks of 35, 33 and 32 % a week apart, held against one pick
    # in the middle of them.
    estimate = block_estimate(with_sizes=exact_sizes())

    def masses(inputs: BlockInputs) -> tuple[list[float], float]:
        """Mean mass of each pass, and the standard deviation of all fruit, g."""
        found = inputs.estimate.sizes
        assert found is not None
        season = Season(inputs, found, EXACT, draw_shared(EXACT))
        weights = season.taken()
        grams = np.stack(
            [
                season.nodes.masses_g(
                    mean_mm=season.expected_mm(pick.pick_date),
                    factor=inputs.weight.factor,
                    power=inputs.weight.power,
                )
                for pick in inputs.plan.picks
            ]
        )
        means = [float(np.average(g, weights=w)) for g, w in zip(grams, weights, strict=True)]
        mean = np.average(grams, weights=weights)
        return means, float(np.average((grams - mean) ** 2, weights=weights) ** 0.5)

    three = block_inputs(estimate, settings=EXACT, shares=(0.35, 0.33, 0.32))
    one = replace(three, plan=replace(three.plan, picks=(replace(three.plan.picks[1], share=1.0),)))
    means, of_three = masses(three)
    assert means[0] > means[1] > means[2]
    assert of_three < 0.95 * masses(one)[1]


def test_small_fruit_take_longer_by_their_number() -> None:
    # A bin of count 138 holds 2,760 fruit, one of count 100 holds 2,000: 38 % more to pick.
    small, usual = picker_days(np.array([2760.0, 2000.0]), bins_per_picker_day=3, bin_kg=381)
    assert small / usual == pytest.approx(1.38)
    assert usual == pytest.approx(1 / 3)
    # A smaller bin of the farm holds fewer.
    (light,) = picker_days(np.array([1000.0]), bins_per_picker_day=3, bin_kg=190.5)
    assert light == pytest.approx(1 / 3)


def test_bins_of_every_pass_are_those_of_the_forecast() -> None:
    inputs = three_passes()
    draws = draw_block(inputs, TABLE, SETTINGS, draw_shared(SETTINGS))
    forecast = pick_forecasts(draws, SETTINGS)
    calendar = calendar_of(inputs)
    assert [one.need.bins for one in calendar.passes] == [one.bins for one in forecast]
    assert [one.pick_date for one in calendar.passes] == [one.pick_date for one in forecast]
    assert [(one.number, one.passes) for one in calendar.passes] == [(1, 3), (2, 3), (3, 3)]


@pytest.mark.parametrize("error_days", [0.0, 2.0])
def test_means_of_passes_parts_and_days_add_up_to_the_harvest(error_days: float) -> None:
    both = three_passes(date_error_days=error_days), three_passes("Mill", date_error_days=1.0)
    calendar = calendar_of(*both)
    draws = [draw_block(one, TABLE, SETTINGS, draw_shared(SETTINGS)) for one in both]
    bins = sum(float(one.tonnes.mean()) for one in draws if one.tonnes is not None) / 0.381
    assert calendar.total is not None
    assert calendar.total.mean_bins == pytest.approx(bins)
    for some in (calendar.passes, calendar.parts, calendar.days):
        assert sum(one.need.mean_bins for one in some) == pytest.approx(bins)
        assert sum(one.need.mean_picker_days for one in some) == pytest.approx(
            calendar.total.mean_picker_days
        )
    shares = [part.share for part in calendar.parts if part.block_id == "Mill" and part.number == 1]
    assert sum(shares) == pytest.approx(1)
    # A day's error leaves one day to each side of Thursday.
    assert len(shares) == 3


def test_blocks_that_err_together_make_a_day_wider_than_by_chance() -> None:
    # Both come on one day; what they share (scale, mass, drop) does not average out.
    one, both = calendar_of(three_passes()), calendar_of(three_passes(), three_passes("Mill"))
    alone, together = (
        found.days[0].need.bins.p90 - found.days[0].need.bins.p10 for found in (one, both)
    )
    assert alone * 2**0.5 < together < 2 * alone


def test_a_sure_day_takes_all_and_an_unsure_one_is_spread_over_its_working_days() -> None:
    thursday = PICK
    assert thursday.weekday() == 3
    assert pick_days(Pick(pick_date=thursday)) == ((thursday, 1.0),)
    days = dict(pick_days(Pick(pick_date=thursday, date_error_days=3)))
    # P10 to P90 of 3 days' error is 4 days to each side; the Sunday is left out.
    assert min(days) == date(2026, 8, 31)
    assert max(days) == date(2026, 9, 7)
    assert date(2026, 9, 6) not in days
    assert sum(days.values()) == pytest.approx(1)
    assert max(days, key=lambda day: days[day]) == thursday
    # The day's own chance is P(-0.5 to 0.5 of 3 days) = 13.2 %; a day earlier 12.5 %.
    assert days[thursday] / days[thursday - timedelta(days=1)] == pytest.approx(1.056, abs=0.002)


def test_a_pass_that_is_planned_for_a_day_of_rest_stays_there() -> None:
    sunday = date(2026, 9, 6)
    assert pick_days(Pick(pick_date=sunday)) == ((sunday, 1.0),)
    assert sunday not in dict(pick_days(Pick(pick_date=sunday, date_error_days=1)))


def test_days_are_marked_where_p90_is_above_the_crew_or_the_bins() -> None:
    one_bin = replace(SETTINGS, bins_per_picker_day=1)
    unset = calendar_of(three_passes(), settings=one_bin)
    assert {(day.pickers_short, day.bins_short) for day in unset.days} == {(0, 0)}
    first = unset.days[0].need
    crew, bins = int(first.picker_days.p90) - 2, int(first.bins.p90) - 1
    marked = calendar_of(three_passes(), settings=replace(one_bin, crew=crew, bins_on_hand=bins))
    assert marked.days[0].pickers_short == 3
    assert marked.days[0].bins_short == 2
    # The last pass brings a quarter, and fits.
    assert (marked.days[-1].pickers_short, marked.days[-1].bins_short) == (0, 0)
    enough = calendar_of(three_passes(), settings=replace(one_bin, crew=500, bins_on_hand=999))
    assert {(day.pickers_short, day.bins_short) for day in enough.days} == {(0, 0)}


def test_twice_the_pace_halves_the_pickers_and_leaves_the_bins() -> None:
    slow = calendar_of(three_passes(), settings=replace(SETTINGS, bins_per_picker_day=2.5))
    fast = calendar_of(three_passes(), settings=replace(SETTINGS, bins_per_picker_day=5))
    assert fast.days[0].need.bins == slow.days[0].need.bins
    assert fast.days[0].need.picker_days.p90 == pytest.approx(slow.days[0].need.picker_days.p90 / 2)


def test_the_pace_errs_for_all_days_together_and_not_for_the_bins() -> None:
    sure, unsure = (
        calendar_of(three_passes(), settings=replace(SETTINGS, picker_pace_error=error))
        for error in (0.0, 0.2)
    )
    assert unsure.total is not None
    assert sure.total is not None
    assert unsure.total.bins == sure.total.bins
    days = unsure.total.picker_days
    # 20 % of pace alone is -23 to +29 % of picker-days; the fruit add to it.
    assert days.p90 / days.p50 > 1.25
    # A shared error does not average out: the days are as unsure as the whole.
    day = unsure.days[0].need.picker_days
    assert day.p90 / day.p50 == pytest.approx(days.p90 / days.p50, abs=0.03)
    assert sure.total.picker_days.p90 / sure.total.picker_days.p50 < 1.2


def test_numbers_to_plan_with_are_the_farms_quantiles() -> None:
    need = calendar_of(three_passes()).days[0].need
    assert need.pickers_planned == pytest.approx(need.picker_days.p50)
    assert need.bins.p50 < need.bins_to_order < need.bins.p90


def test_without_any_error_a_harvest_is_plain_arithmetic() -> None:
    estimate = block_estimate(with_sizes=exact_sizes(mean_mm=79.0), error=0.0)
    still = GrowthRate(mm3_per_day=0, mm3_per_day_error=0, source="none")
    inputs = block_inputs(estimate, settings=EXACT, growth=still)
    calendar = harvest_calendar(kept([inputs], EXACT), replace(EXACT, picker_pace_error=0))
    assert calendar.total is not None
    # 75 fruit on 1,000 trees, 4 % fall: 72,000 fruit. 3.8e-4 g/mm3 times the mean of D³.
    fruit = 75 * 1000 * 0.96
    cubes = np.array(exact_sizes(mean_mm=79.0).quantiles_mm) ** 3
    assert calendar.total.mean_bins == pytest.approx(fruit * 3.8e-4 * cubes.mean() / 381_000, 1e-3)
    assert calendar.total.mean_picker_days == pytest.approx(fruit / (3 * 2000), 1e-6)
    for found in (calendar.total.bins, calendar.total.picker_days):
        assert found.p10 == pytest.approx(found.p90)


def test_a_block_without_hand_counts_is_named_and_in_no_sum() -> None:
    bare = block_inputs(block_estimate("Mill", with_sizes=sizes(), counted=0))
    calendar = calendar_of(three_passes(), bare)
    assert calendar.unknown == ("Mill",)
    assert {one.block_id for one in calendar.passes} == {"Gala North"}
    nothing = calendar_of(bare)
    assert nothing.total is None
    assert nothing.days == ()


def test_a_forecast_that_did_not_keep_its_settings_is_refused_with_its_fix() -> None:
    with pytest.raises(ForecastError, match="Make a new forecast") as caught:
        harvest_calendar(replace(kept([three_passes()]), table=None), SETTINGS)
    assert "did not keep" in caught.value.what

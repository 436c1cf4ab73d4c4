"""What a harvest needs: bins and picker-days of each pass, and of each working day.

The passes of a forecast are drawn again with its own random numbers, so that bins here are the
bins there. Bins and picker-days of a day are added draw by draw: what blocks err by together does
not average out.

A pass whose day is sure comes on that day. One whose day is not (`date_error_days`) is spread over
the working days of its window by the chance of each: a plan for the mean. The range of a day is
then that of how much comes in and how fast it is picked, not of when; should all of a pass come on
one day, that day needs the whole pass.

Numbers to work with are the quantiles that the farm set for labour and bins, read off P10, P50 and
P90 as everywhere (`forecast.words.quantile_of_use`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from fruitvision.domain import (
    BlockInputs,
    Estimate,
    Forecast,
    Pick,
    SizeClass,
    SizeTable,
    UseQuantiles,
)
from fruitvision.forecast.draw import PassDraws, draw_unchecked
from fruitvision.forecast.drawn_with import DrawnWith, drawn_again_with
from fruitvision.forecast.shared import SharedErrors, draw_shared, named_normal
from fruitvision.forecast.summary import estimate_of
from fruitvision.forecast.words import quantile_of_use, use_quantiles
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Mass of the fruit that a picker's bins are counted in, g: count 100, of which 2,000 fill a bin of
# 381 kg (Ontario, bin requirements). Our choice, so that small fruit, of which more go into a bin,
# take longer by as much: a picker picks fruit, not kilograms. In the same table a bin of count 138
# holds 2,760.
USUAL_FRUIT_G = 190.5
# A window holds the days from P10 to P90 of a pass. Our choice: the same range as everywhere.
WINDOW_STEPS = float(ndtri(0.9))
# Day of the week on which nobody picks (0 is Monday). Our choice: crews commonly rest on Sunday. A
# pass that is planned for one all the same, without an error of its day, stays there.
REST_DAY = 6
# Bins are not sorted: one class holds all fruit, which saves the time of sorting.
UNSORTED = SizeTable(
    name="unsorted",
    unit="mm",
    carton_kg=1.0,
    classes=(SizeClass(name="all", low=0.0, high=1000.0, fruit_per_carton=1),),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """Bins that come in, and the picker-days that they take: mean, range, and number to plan with.

    Means add up over passes and days; ranges and `bins_to_order`, `pickers_planned` (picker-days at
    the farm's quantile for labour) do not.
    """

    mean_bins: float
    bins: Estimate
    bins_to_order: float
    mean_picker_days: float
    picker_days: Estimate
    pickers_planned: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PassPlan:
    """One pass through a block: the `number`-th of `passes`, from its first to its last day."""

    block_id: str
    variety: str
    number: int
    passes: int
    pick_date: date
    first_day: date
    last_day: date
    need: Need


@dataclass(frozen=True, slots=True, kw_only=True)
class PassDay:
    """The part of a pass (`share`, 0 to 1) that is planned for one day."""

    block_id: str
    variety: str
    number: int
    day: date
    share: float
    need: Need


@dataclass(frozen=True, slots=True, kw_only=True)
class HarvestDay:
    """All that is planned for one day. Picker-days of a day are pickers.

    `pickers_short` and `bins_short` are what P90 is above the crew and the bins on hand, whole ones
    up; 0 where it is not, or where the farm did not set them.
    """

    day: date
    blocks: tuple[str, ...]
    need: Need
    pickers_short: int
    bins_short: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HarvestCalendar:
    """Passes by day, their parts, the days, and the whole harvest.

    `unknown` are blocks whose bins can't be said (no hand counts, no sizes); they are nowhere else.
    `total` is None if there is nothing but those.
    """

    forecast_id: str
    farm: str
    passes: tuple[PassPlan, ...]
    parts: tuple[PassDay, ...]
    days: tuple[HarvestDay, ...]
    total: Need | None
    unknown: tuple[str, ...]
    bins_per_picker_day: float
    crew: int
    bins_on_hand: int
    quantiles: UseQuantiles


def picker_days(fruit: Array, *, bins_per_picker_day: float | Array, bin_kg: float) -> Array:
    """Picker-days for so many fruit, (draws,).

    Picker-days = bins ÷ (bins per picker and day) for fruit of `USUAL_FRUIT_G`; other fruit by
    their number.
    """
    usual_fruit_per_bin = 1000 * bin_kg / USUAL_FRUIT_G
    return np.asarray(fruit / (bins_per_picker_day * usual_fruit_per_bin))


def pick_days(pick: Pick) -> tuple[tuple[date, float], ...]:
    """The days of a pass and the share of it that is planned for each; shares add up to 1.

    A day counts by the chance that the pass falls on it, by a normal distribution about the planned
    day; days of rest and days outside P10 to P90 have none.
    """
    error = pick.date_error_days
    half = int(np.rint(WINDOW_STEPS * error))
    window = [pick.pick_date + timedelta(days=away) for away in range(-half, half + 1)]
    days = [day for day in window if day.weekday() != REST_DAY] if half else window
    away = np.array([(day - pick.pick_date).days for day in days])
    chance = np.ones(1) if not half else ndtr((away + 0.5) / error) - ndtr((away - 0.5) / error)
    shares = chance / chance.sum()
    return tuple(zip(days, map(float, shares), strict=True))


def harvest_calendar(forecast: Forecast, settings: Settings) -> HarvestCalendar:
    """Bins and picker-days by pass and by day.

    Parameters
    ----------
    forecast : Forecast
        A kept one, with what it was drawn from.
    settings : Settings
        The farm's own today: how fast it picks, its crew and bins. All else is the forecast's.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    made_with = drawn_again_with(forecast)
    shared = draw_shared(made_with.settings)
    pace = _pace(settings, made_with)
    quantiles = forecast.quantiles or use_quantiles(settings)
    drawn: list[_DrawnPass] = []
    unknown: list[str] = []
    for inputs in forecast.inputs:
        of_block = _passes(inputs, made_with, shared, pace)
        drawn += of_block
        if not of_block:
            unknown.append(inputs.estimate.block.block_id)
    by_day: dict[date, list[_Part]] = defaultdict(list)
    for one in drawn:
        for day, share in one.days:
            by_day[day].append(_Part(of=one, day=day, share=share))
    whole = [(one.draws, 1.0) for one in drawn]
    return HarvestCalendar(
        forecast_id=forecast.forecast_id,
        farm=forecast.farm,
        passes=tuple(_pass_plan(one, quantiles) for one in sorted(drawn, key=_first)),
        parts=tuple(_pass_day(part, quantiles) for day in sorted(by_day) for part in by_day[day]),
        days=tuple(_day(day, by_day[day], quantiles, settings) for day in sorted(by_day)),
        total=_need(whole, quantiles) if whole else None,
        unknown=tuple(unknown),
        bins_per_picker_day=settings.bins_per_picker_day,
        crew=settings.crew,
        bins_on_hand=settings.bins_on_hand,
        quantiles=quantiles,
    )


# ---------------------------------------------------------------- drawn


@dataclass(frozen=True, slots=True, eq=False)
class _Draws:
    """Bins and picker-days, drawn many times: (draws,) each."""

    bins: Array
    picker_days: Array


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _DrawnPass:
    block_id: str
    variety: str
    number: int
    passes: int
    pick_date: date
    days: tuple[tuple[date, float], ...]
    draws: _Draws


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Part:
    of: _DrawnPass
    day: date
    share: float


def _passes(
    inputs: BlockInputs, made_with: DrawnWith, shared: SharedErrors, pace: Array
) -> list[_DrawnPass]:
    """The passes of a block; none where its bins are not known."""
    losses = replace(inputs.losses, culls_by_class=())
    unsorted = replace(inputs, losses=losses, grades=())
    drawn = draw_unchecked(unsorted, UNSORTED, made_with.settings, shared)
    block, picks = inputs.estimate.block, inputs.plan.picks
    return [
        _DrawnPass(
            block_id=block.block_id,
            variety=block.variety,
            number=number,
            passes=len(picks),
            pick_date=pick.pick_date,
            days=pick_days(pick),
            draws=_draws(one, one.tonnes, made_with.settings.bin_kg, pace),
        )
        for number, (pick, one) in enumerate(zip(picks, drawn.passes, strict=True), start=1)
        if one.tonnes is not None
    ]


def _draws(one: PassDraws, tonnes: Array, bin_kg: float, pace: Array) -> _Draws:
    return _Draws(
        bins=1000 * tonnes / bin_kg,
        picker_days=picker_days(one.fruit, bins_per_picker_day=pace, bin_kg=bin_kg),
    )


def _pace(settings: Settings, made_with: DrawnWith) -> Array:
    """Bins a picker and day with their error, lognormal so that they stay above 0, (draws,)."""
    normal = named_normal(made_with.settings, "picker pace")
    return np.asarray(settings.bins_per_picker_day * np.exp(settings.picker_pace_error * normal))


# ---------------------------------------------------------------- summed up


def _need(parts: Sequence[tuple[_Draws, float]], quantiles: UseQuantiles) -> Need:
    """Parts of passes added draw by draw."""
    bins = np.sum([share * draws.bins for draws, share in parts], axis=0)
    days = np.sum([share * draws.picker_days for draws, share in parts], axis=0)
    bins_range, days_range = estimate_of(bins), estimate_of(days)
    return Need(
        mean_bins=float(bins.mean()),
        bins=bins_range,
        bins_to_order=quantile_of_use(bins_range, "bins", quantiles),
        mean_picker_days=float(days.mean()),
        picker_days=days_range,
        pickers_planned=quantile_of_use(days_range, "labour", quantiles),
    )


def _first(one: _DrawnPass) -> tuple[date, date, str]:
    return one.pick_date, one.days[0][0], one.block_id


def _pass_plan(one: _DrawnPass, quantiles: UseQuantiles) -> PassPlan:
    return PassPlan(
        block_id=one.block_id,
        variety=one.variety,
        number=one.number,
        passes=one.passes,
        pick_date=one.pick_date,
        first_day=one.days[0][0],
        last_day=one.days[-1][0],
        need=_need([(one.draws, 1.0)], quantiles),
    )


def _pass_day(part: _Part, quantiles: UseQuantiles) -> PassDay:
    return PassDay(
        block_id=part.of.block_id,
        variety=part.of.variety,
        number=part.of.number,
        day=part.day,
        share=part.share,
        need=_need([(part.of.draws, part.share)], quantiles),
    )


def _day(
    day: date, parts: Sequence[_Part], quantiles: UseQuantiles, settings: Settings
) -> HarvestDay:
    need = _need([(part.of.draws, part.share) for part in parts], quantiles)
    return HarvestDay(
        day=day,
        blocks=tuple(part.of.block_id for part in parts),
        need=need,
        pickers_short=_short(need.picker_days.p90, settings.crew),
        bins_short=_short(need.bins.p90, settings.bins_on_hand),
    )


def _short(needed: float, there: int) -> int:
    return max(0, ceil(needed - there)) if there else 0

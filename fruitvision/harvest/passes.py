"""The passes of a kept forecast, drawn again with its own random numbers, and the days of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from scipy.special import ndtr, ndtri

from fruitvision.domain import BlockInputs, Forecast, Pick, PickPlan, SizeClass, SizeTable
from fruitvision.forecast.crop_draws import PassDraws
from fruitvision.forecast.draw import draw_unchecked
from fruitvision.forecast.drawn_with import DrawnWith, drawn_again_with
from fruitvision.forecast.shared import SharedErrors, draw_shared, named_normal
from fruitvision.harvest.need import Array, Draws, picker_days
from fruitvision.settings import Settings

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


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DrawnPass:
    """One pass through a block: what it brings in every draw, and the days that it is spread over.

    `days` are days with the share of the pass (0 to 1) that is planned for each.
    """

    block_id: str
    variety: str
    number: int
    passes: int
    pick_date: date
    days: tuple[tuple[date, float], ...]
    draws: Draws

    @property
    def key(self) -> tuple[str, int]:
        """Block and number of the pass."""
        return self.block_id, self.number


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DrawnHarvest:
    """All passes of a forecast, and the blocks whose bins can't be said."""

    passes: tuple[DrawnPass, ...]
    unknown: tuple[str, ...]
    made_with: DrawnWith


def draw_harvest(
    forecast: Forecast, settings: Settings, plans: Mapping[str, PickPlan] | None = None
) -> DrawnHarvest:
    """Every pass drawn again with the forecast's own random numbers.

    Parameters
    ----------
    settings : Settings
        The farm's own today, of which the pace of picking counts.
    plans : mapping, optional
        Other passes for some blocks than those that the forecast was made with.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    made_with = drawn_again_with(forecast)
    shared = draw_shared(made_with.settings)
    pace = _pace(settings, made_with)
    drawn: list[DrawnPass] = []
    unknown: list[str] = []
    for inputs in forecast.inputs:
        name = inputs.estimate.block.block_id
        plan = (plans or {}).get(name, inputs.plan)
        of_block = _passes(replace(inputs, plan=plan), made_with, shared, pace)
        drawn += of_block
        if not of_block:
            unknown.append(name)
    return DrawnHarvest(passes=tuple(drawn), unknown=tuple(unknown), made_with=made_with)


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


def working_days_before(day: date, days: int) -> date:
    """The day so many working days before a day."""
    while days > 0:
        day -= timedelta(days=1)
        days -= day.weekday() != REST_DAY
    return day


def _passes(
    inputs: BlockInputs, made_with: DrawnWith, shared: SharedErrors, pace: Array
) -> list[DrawnPass]:
    """The passes of a block; none where its bins are not known."""
    losses = replace(inputs.losses, culls_by_class=())
    unsorted = replace(inputs, losses=losses, grades=())
    drawn = draw_unchecked(unsorted, UNSORTED, made_with.settings, shared)
    block, picks = inputs.estimate.block, inputs.plan.picks
    return [
        DrawnPass(
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


def _draws(one: PassDraws, tonnes: Array, bin_kg: float, pace: Array) -> Draws:
    return Draws(
        bins=1000 * tonnes / bin_kg,
        picker_days=picker_days(one.fruit, bins_per_picker_day=pace, bin_kg=bin_kg),
    )


def _pace(settings: Settings, made_with: DrawnWith) -> Array:
    """Bins a picker and day with their error, lognormal so that they stay above 0, (draws,)."""
    normal = named_normal(made_with.settings, "picker pace")
    return np.asarray(settings.bins_per_picker_day * np.exp(settings.picker_pace_error * normal))

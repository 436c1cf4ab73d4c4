"""Bins and picker-days: drawn many times, and summed up with the numbers to plan with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Estimate, UseQuantiles
from fruitvision.forecast.summary import estimate_of
from fruitvision.forecast.words import quantile_at, quantile_of_use
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Mass of the fruit that a picker's bins are counted in, g: count 100, of which 2,000 fill a bin of
# 381 kg (Ontario, bin requirements). Our choice, so that small fruit, of which more go into a bin,
# take longer by as much: a picker picks fruit, not kilograms. In the same table a bin of count 138
# holds 2,760.
USUAL_FRUIT_G = 190.5


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Bins and picker-days, drawn many times: (draws,) each."""

    bins: Array
    picker_days: Array

    def part(self, share: float | Array) -> Draws:
        """So much of both, draw by draw."""
        return Draws(bins=share * self.bins, picker_days=share * self.picker_days)


@dataclass(frozen=True, slots=True, kw_only=True)
class Planning:
    """What the needs of a harvest are planned with: the farm's quantiles of each use."""

    uses: UseQuantiles
    overtime: float


def planning(settings: Settings, uses: UseQuantiles) -> Planning:
    """The forecast's quantiles, and how far the crew works overtime by the settings of today."""
    return Planning(uses=uses, overtime=max(settings.overtime_quantile, uses.labour))


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """Bins that come in, and the picker-days that they take: mean, range, and number to plan with.

    Means add up over passes and days; ranges and `bins_to_order`, `pickers_planned` (picker-days at
    the farm's quantile for labour), `pickers_overtime` (what overtime of that crew should reach)
    do not.
    """

    mean_bins: float
    bins: Estimate
    bins_to_order: float
    mean_picker_days: float
    picker_days: Estimate
    pickers_planned: float
    pickers_overtime: float


def picker_days(fruit: Array, *, bins_per_picker_day: float | Array, bin_kg: float) -> Array:
    """Picker-days for so many fruit, (draws,).

    Picker-days = bins ÷ (bins per picker and day) for fruit of `USUAL_FRUIT_G`; other fruit by
    their number.
    """
    usual_fruit_per_bin = 1000 * bin_kg / USUAL_FRUIT_G
    return np.asarray(fruit / (bins_per_picker_day * usual_fruit_per_bin))


def added(parts: Sequence[Draws]) -> Draws:
    """Parts of passes added draw by draw."""
    return Draws(
        bins=np.sum([one.bins for one in parts], axis=0),
        picker_days=np.sum([one.picker_days for one in parts], axis=0),
    )


def need_of(draws: Draws, plan: Planning) -> Need:
    """Mean, range and numbers to plan with of drawn bins and picker-days."""
    bins, days = estimate_of(draws.bins), estimate_of(draws.picker_days)
    return Need(
        mean_bins=float(draws.bins.mean()),
        bins=bins,
        bins_to_order=quantile_of_use(bins, "bins", plan.uses),
        mean_picker_days=float(draws.picker_days.mean()),
        picker_days=days,
        pickers_planned=quantile_of_use(days, "labour", plan.uses),
        pickers_overtime=quantile_at(days, plan.overtime),
    )

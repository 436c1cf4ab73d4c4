"""Diameter today → diameter at the pick: linear in D³, and what weather would do to it.

Fresh mass of an apple runs nearly straight in the last two months, so the cubed diameter gains a
constant amount a day and the diameter slows by itself. In open caliper data of 24 Fuji fruit
(Cadriano 2022, Zenodo 10.5281/zenodo.10687503) the cubes of 17 date means are linear in time with
R² 0.997, and a constant mm per day forecasts 5 to 20 mm too much.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Doubt, GrowthRate, SizeDistribution
from fruitvision.errors import ForecastError
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Half of a mean cube below which nothing is left of a fruit, mm³: 1e-6 mm. Keeps a division whole.
SMALLEST_MM3 = 1e-18
# Days from the first measurement of fruit to the last pick of one season. Our choice: fruit hang
# 120 to 200 days from bloom on, so that dates farther apart belong to two seasons; last October's
# fruit are then never taken for those of May.
SEASON_DAYS = 200

# What marks a rate that is not the block's own.
BORROWED = frozenset({Doubt.DEFAULT_GROWTH, Doubt.SISTER_GROWTH, Doubt.FARM_GROWTH})


def growth_shift_mm(mean_mm: float | Array, sd_mm: float | Array, gain_mm3: float | Array) -> Array:
    """By how many mm all fruit grow, each by the same, when the mean of their cubes gains so much.

    A rate is the gain of the mean cube, so that is what grows in a straight line, and the mass
    with it. With x the mean at the end, x³ + 3σ²x = μ³ + 3σ²μ + gain (the third moment stays);
    solved by Cardano's formula. Giving the gain to each fruit's own cube instead would move the
    mean about 4 CV² too far: 0.2 mm in three weeks.

    Parameters
    ----------
    mean_mm, sd_mm : float or array
        Of the diameters today.
    gain_mm3 : float or array
        Gain of the mean cubed diameter, mm³; fruit shrink to nothing at most.
    """
    mean, variance = np.asarray(mean_mm, float), np.asarray(sd_mm, float) ** 2
    half = np.maximum((mean**3 + 3 * variance * mean + gain_mm3) / 2, SMALLEST_MM3)
    root = np.cbrt(half + np.sqrt(half**2 + variance**3))
    return np.asarray(root - variance / root - mean)


def grow_to(diameters_mm: Array, *, mm3_per_day: float, days: int) -> Array:
    """Diameters after `days`: the mean cube grows linearly, every fruit by the same mm.

    The equal shift keeps the spread, as measured fruit do (3.7 → 4.0 mm in 62 days); growing each
    fruit by the same D³ would shrink it to 2.5 mm (same data).

    Raises
    ------
    ValueError
        If `days` is negative.
    """
    if days < 0:
        raise ValueError(f"days must be 0 or more, got {days}")
    return diameters_mm + growth_shift_mm(
        float(diameters_mm.mean()), float(diameters_mm.std()), mm3_per_day * days
    )


def mm_per_day(growth: GrowthRate, *, diameter_mm: float) -> float:
    """Growth of a fruit of that diameter now, mm a day: dD = dD³ / 3D²."""
    return growth.mm3_per_day / (3 * diameter_mm**2)


def is_own(growth: GrowthRate) -> bool:
    """Whether a rate was measured in the block itself."""
    return not BORROWED.intersection(growth.doubts)


def growing_mm(growth: GrowthRate, sizes: SizeDistribution, *, sd_mm: float) -> float:
    """Mean diameter, on the day of the walk, of the fruit that a rate is of.

    Calipered fruit are larger than the block's, since heavy trees have no more of them than light
    ones; their gain of D³ given to the block's mean fruit would be too many mm. For a rate of
    other blocks it is the block's own mean.
    """
    if not is_own(growth) or growth.measured_mm is None or growth.measured_on is None:
        return sizes.mean_mm
    gain_mm3 = growth.mm3_per_day * (sizes.measured_on - growth.measured_on).days
    return growth.measured_mm + float(growth_shift_mm(growth.measured_mm, sd_mm, gain_mm3))


def default_growth(settings: Settings) -> GrowthRate:
    """The rate of the settings, linear in D³ after cell division, with its wide error."""
    return GrowthRate(
        mm3_per_day=settings.growth_mm3_per_day,
        mm3_per_day_error=settings.growth_mm3_per_day * settings.growth_error,
        source="default rate",
        doubts=(Doubt.DEFAULT_GROWTH,),
    )


class Weather(StrEnum):
    """Weather from the walk to the pick, for a what-if."""

    DRY = "dry"
    NORMAL = "normal"
    WET = "wet"


def what_if_growth(growth: GrowthRate, weather: Weather, settings: Settings) -> GrowthRate:
    """The rate under other weather: times the setting's factor, said in the source."""
    factors = {
        Weather.DRY: settings.growth_dry_factor,
        Weather.NORMAL: 1.0,
        Weather.WET: settings.growth_wet_factor,
    }
    factor = factors[weather]
    if factor == 1.0:
        return growth
    return replace(
        growth,
        mm3_per_day=growth.mm3_per_day * factor,
        mm3_per_day_error=growth.mm3_per_day_error * factor,
        source=f"{growth.source}; what if {weather.value}: times {factor:g}",
    )


def refuse_two_seasons(days: Iterable[date], what: str) -> None:
    """Refuse dates that can't belong to one season.

    Raises
    ------
    ForecastError
        If the first and the last are more than `SEASON_DAYS` apart.
    """
    in_order = sorted(days)
    if in_order and (in_order[-1] - in_order[0]).days > SEASON_DAYS:
        raise ForecastError(
            f"{what} mix two seasons: {in_order[0]} and {in_order[-1]}.",
            fix="Correct the year, or use the measurements of one season only.",
        )

"""Growth where a block has no sure rate of its own, and the choice among all rates.

Order of trust: the block's own last walks; like ("sister") blocks this year; the farm's curve of
past years; the default. An own rate is drawn towards the like blocks', each weighted by its
variance; towards the farm's curve or the default only where it is the less sure of the two.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from fruitvision.domain import Doubt, Doubts, GrowthRate
from fruitvision.errors import ForecastError
from fruitvision.forecast.curves import expolinear, fit_expolinear
from fruitvision.forecast.growth import default_growth
from fruitvision.forecast.own_growth import SHORTEST_DAYS, DatedCube
from fruitvision.settings import Settings

# Least spread of growth among like blocks, relative. Our choice: load, soil and aspect differ; the
# spread among fruit of two trees is 6 % (Fuji, Cadriano 2022).
SISTER_SPREAD = 0.10
# Least spread of growth among years, relative. Our choice: slopes of size on time differ by year
# (HortScience 54(1):86, 2019); half as wide as the default rate's.
YEAR_SPREAD = 0.15
# A source that brings less than this part of a rate is not named. Our choice.
NAMED_FROM = 0.05
# Dates of a past year that a curve needs instead of a straight line. Our choice: three parameters
# and a point or two to spare.
CURVE_DATES = 6
DAYS_IN_YEAR = 365.25


def sister_growth(rates: Mapping[str, GrowthRate]) -> GrowthRate | None:
    """What the own rates of like blocks this year say of another block.

    A random-effects mean (DerSimonian and Laird 1986, Controlled Clinical Trials 7: 177); its error
    is that of a further block, spread among blocks included.

    Parameters
    ----------
    rates : mapping
        Own rate by block, without the block in question.

    Returns
    -------
    GrowthRate or None
        None if there is no such block.
    """
    if not rates:
        return None
    values = [rate.mm3_per_day for rate in rates.values()]
    errors = [rate.mm3_per_day_error for rate in rates.values()]
    mean, error = _among(values, errors, least_spread=SISTER_SPREAD)
    return GrowthRate(
        mm3_per_day=mean,
        mm3_per_day_error=error,
        source=f"like blocks this year ({', '.join(rates)})",
        doubts=(Doubt.SISTER_GROWTH,),
    )


def farm_growth(
    past_years: Sequence[Sequence[DatedCube]], *, walk: date, pick: date
) -> GrowthRate | None:
    """Growth from the walk to the pick as in the farm's past years.

    Each year is fitted by an expolinear curve of D³ where it has `CURVE_DATES` visits, else by a
    straight line, and read between the same days of the year, as far as it was measured.

    Returns
    -------
    GrowthRate or None
        None if no past year was measured for a week or more between these days.
    """
    years, rates, errors = [], [], []
    for points in past_years:
        found = _rate_in_year(points, walk, pick)
        if found is not None:
            years.append(date.fromordinal(round(points[-1].day)).year)
            rates.append(found[0])
            errors.append(found[1])
    if not rates:
        return None
    mean, error = _among(rates, errors, least_spread=YEAR_SPREAD)
    named = ", ".join(str(year) for year in sorted(set(years)))
    return GrowthRate(
        mm3_per_day=mean,
        mm3_per_day_error=error,
        source=f"the farm's curve of {named}",
        doubts=(Doubt.FARM_GROWTH,),
    )


def choose_growth(
    own: GrowthRate | None,
    sisters: GrowthRate | None,
    farm: GrowthRate | None,
    settings: Settings,
) -> GrowthRate:
    """The rate that a block is forecast with, its source in words, and a doubt if it is not own.

    Parameters
    ----------
    own, sisters, farm : GrowthRate or None
        From `own_growth`, `sister_growth` and `farm_growth`.
    """
    next_best = farm or default_growth(settings)
    if own is None:
        return sisters or next_best
    if sisters is not None:
        return shrink(own, sisters)
    if own.mm3_per_day_error > next_best.mm3_per_day_error:
        return shrink(own, next_best)
    return own


def shrink(own: GrowthRate, other: GrowthRate) -> GrowthRate:
    """Two rates, each weighted by the inverse of its variance.

    The result bears the doubts of the other where that brings the larger part.
    """
    own_variance, other_variance = own.mm3_per_day_error**2, other.mm3_per_day_error**2
    if own_variance + other_variance == 0:
        return own
    part = own_variance / (own_variance + other_variance)
    doubts: Doubts = other.doubts if part > 0.5 else own.doubts
    leaning = f", {100 * part:.0f} % from {other.source}" if part >= NAMED_FROM else ""
    return replace(
        own,
        mm3_per_day=(1 - part) * own.mm3_per_day + part * other.mm3_per_day,
        mm3_per_day_error=(part * other_variance) ** 0.5,
        source=f"{own.source}{leaning}",
        doubts=doubts,
    )


def _among(
    values: Sequence[float], errors: Sequence[float], *, least_spread: float
) -> tuple[float, float]:
    """Random-effects mean of rates, and the error with which it stands for a further one."""
    found, variances = np.asarray(values), np.asarray(errors) ** 2
    spread2 = max(_spread2(found, variances), (least_spread * float(found.mean())) ** 2)
    weights = 1 / (variances + spread2)
    mean = float(np.average(found, weights=weights))
    return mean, float(np.sqrt(spread2 + 1 / weights.sum()))


def _spread2(values: np.ndarray, variances: np.ndarray) -> float:
    """Variance among units beyond their own errors, by the method of moments; 0 for one unit."""
    if len(values) < 2 or not np.all(variances > 0):
        return float(np.var(values, ddof=1)) if len(values) > 1 else 0.0
    weights = 1 / variances
    mean = np.average(values, weights=weights)
    q = float(np.sum(weights * (values - mean) ** 2))
    scale = float(weights.sum() - np.sum(weights**2) / weights.sum())
    return max(0.0, (q - (len(values) - 1)) / scale)


def _rate_in_year(
    points: Sequence[DatedCube], walk: date, pick: date
) -> tuple[float, float] | None:
    """Rate of one past year between the same days of the year, and its error."""
    if len(points) < 2:
        return None
    years = round((walk.toordinal() - points[-1].day) / DAYS_IN_YEAR)
    days = np.array([point.day + years * DAYS_IN_YEAR for point in points])
    cubes = np.array([point.mean_mm3 for point in points])
    start = max(float(days[0]), float(walk.toordinal()))
    end = min(float(days[-1]), float(pick.toordinal()))
    if end - start < SHORTEST_DAYS:
        return None
    gain, scatter = _gain(days, cubes, start, end)
    last_errors = float(np.hypot(points[-1].error_mm3, points[-2].error_mm3))
    return gain / (end - start), max(scatter, last_errors) / (end - start)


def _gain(days: np.ndarray, cubes: np.ndarray, start: float, end: float) -> tuple[float, float]:
    """Gain of D³ from start to end by a fitted curve or line, and the scatter about it."""
    since = days - days[0]
    at = np.array([start, end]) - days[0]
    if len(days) >= CURVE_DATES:
        try:
            curve = fit_expolinear(since.tolist(), cubes.tolist())
        except ForecastError:
            # Straight growth has no bend to fit: the line below says the same.
            pass
        else:
            low, high = expolinear(at, np.array(curve.parameters))
            return float(high - low), curve.residual_sd
    slope, level = np.polyfit(since, cubes, 1)
    residuals = cubes - level - slope * since
    return float(slope * (end - start)), float(np.sqrt(np.mean(residuals**2)))

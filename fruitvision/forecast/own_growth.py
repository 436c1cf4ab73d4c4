"""A block's own growth rate, from its walks with calipers or with photos.

All visits of the season are fitted by weighted least squares on the mean D³; the last two weigh
most, since they are worth more than all earlier ones (mango, Amaral and Walsh 2023: 4.5 % error of
mass from the last two, 16.3 % from earlier ones).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise

import numpy as np

from fruitvision.domain import (
    CALIPER_ERROR_MM,
    CaliperReading,
    GrowthRate,
    MeanSize,
    SizeDistribution,
    TreeId,
)
from fruitvision.errors import ForecastError
from fruitvision.forecast.growth import refuse_two_seasons
from fruitvision.survey import Sampled, cluster_mean

WalkSize = MeanSize | SizeDistribution

# Visits closer together than this give no rate worth having. Common practice: a week apart.
SHORTEST_DAYS = 7
# Trees with a caliper reading on both visits that a rate needs. Our choice.
FEWEST_TREES = 3
# Caliper readings of so many days in a row are one visit. Our choice: rain may break a day's work.
VISIT_DAYS = 3
# Factor on the variance of a visit for each step back before the last two. Our choice: a visit a
# fortnight earlier then counts a quarter, since weather and load change the pace.
FORGETTING = 4.0
# Least relative error of a mean D³. Our choice: 0.1 %, far below what a caliper reads.
SMALLEST_ERROR = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedCube:
    """Mean cubed diameter of a block's fruit at one visit, with its standard error.

    `day` counts days (proleptic ordinal of the date); a visit of two days lies between them.
    """

    day: float
    mean_mm3: float
    error_mm3: float


def caliper_growth(readings: Sequence[CaliperReading]) -> GrowthRate | None:
    """The block's rate from its caliper readings of this season.

    Fruit that carry the same tag at several visits are fitted one by one, tree as cluster; where
    fewer than `FEWEST_TREES` trees have such fruit, the means of the visits are fitted.

    Returns
    -------
    GrowthRate or None
        None if the visits are less than a week apart or the trees too few.

    Raises
    ------
    ForecastError
        If fruit shrink between two visits by more than twice the standard error, or the readings
        are of two seasons.
    """
    refuse_two_seasons((reading.measured_on for reading in readings), "Caliper readings")
    visits = _visits(readings)
    if len(visits) < 2:
        return None
    for earlier, later in pairwise(visits):
        _refuse_shrinking(_rate_of([earlier, later]), "calipers", [earlier, later])
    rate = _rate_of(visits)
    if rate is None:
        return None
    return replace(
        _own(rate, _words("calipers", "visits", visits)),
        measured_mm=_mean_mm(visits[-1]),
        measured_on=date.fromordinal(round(visits[-1].day)),
    )


def photo_growth(sizes: Sequence[WalkSize]) -> GrowthRate | None:
    """The block's rate from the sizes of its photo walks of this season.

    Each walk's shared scale error is in, so that walks without calipers give an unsure rate.

    Returns
    -------
    GrowthRate or None
        None if the walks are less than a week apart.

    Raises
    ------
    ForecastError
        If fruit shrink between two walks by more than twice the standard error, or the walks are
        of two seasons.
    """
    refuse_two_seasons((walk.measured_on for walk in sizes), "Photo walks")
    points = sorted((cube_of_walk(walk) for walk in sizes), key=lambda point: point.day)
    if len(points) < 2 or points[-1].day - points[0].day < SHORTEST_DAYS:
        return None
    for earlier, later in pairwise(points):
        if later.day - earlier.day >= SHORTEST_DAYS:
            _refuse_shrinking(fit_rate([earlier, later]), "photos", [earlier, later])
    days = points[-1].day - points[0].day
    named = "two walks" if len(points) == 2 else f"{len(points)} walks"
    return _own(fit_rate(points), f"{named}, {days:.0f} days")


def own_growth(readings: Sequence[CaliperReading], sizes: Sequence[WalkSize]) -> GrowthRate | None:
    """The surer of the block's caliper and photo rates; None if it has neither.

    Raises
    ------
    ForecastError
        If fruit shrink beyond noise, or the dates are of two seasons.
    """
    rates = [rate for rate in (caliper_growth(readings), photo_growth(sizes)) if rate is not None]
    return min(rates, key=lambda rate: rate.mm3_per_day_error) if rates else None


def fit_rate(points: Sequence[DatedCube]) -> Sampled:
    """Slope of the mean D³ in time, mm³ a day, by weighted least squares.

    The weight of a visit is 1 / (error² · `FORGETTING` per step back before the last two). With
    three visits or more the error grows with the scatter about the line where that is larger than
    the visits' own errors.

    Parameters
    ----------
    points : sequence of DatedCube
        Two visits or more, in order of time.

    Raises
    ------
    ValueError
        If all visits have the same day.
    """
    days = np.array([point.day for point in points])
    values = np.array([point.mean_mm3 for point in points])
    errors = np.array([max(p.error_mm3, SMALLEST_ERROR * p.mean_mm3) for p in points])
    weights = 1 / (errors**2 * _forgotten(len(points)))
    share = _slope_shares(days, weights)
    slope = float(share @ values)
    error = float(np.sqrt(np.sum((share * errors) ** 2)))
    if len(points) > 2:
        centre = np.average(values, weights=weights)
        residuals = values - centre - slope * (days - np.average(days, weights=weights))
        chi2 = float(np.sum(residuals**2 * weights)) / (len(points) - 2)
        error *= max(1.0, chi2) ** 0.5
    return Sampled(value=slope, error=error, degrees_of_freedom=max(1, len(points) - 1))


def _forgotten(visits: int) -> np.ndarray:
    """Factor on the variance of each visit, oldest first: 1 for the last two."""
    back = np.arange(visits)[::-1]
    return np.asarray(FORGETTING ** np.maximum(0.0, back - 1.0))


def _slope_shares(days: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """By how much each value moves the weighted least squares slope."""
    away = days - np.average(days, weights=weights)
    spread = float(np.sum(weights * away**2))
    if spread <= 0:
        raise ValueError("need visits on different days")
    return np.asarray(weights * away / spread)


def cube_of_walk(sizes: WalkSize) -> DatedCube:
    """Mean cube of a walk: μ³ + 3μσ² of a symmetric distribution, with all its errors."""
    mean_error = float(np.hypot(sizes.mean_error_mm, sizes.shared_error * sizes.mean_mm))
    return DatedCube(
        day=float(sizes.measured_on.toordinal()),
        mean_mm3=sizes.mean_mm**3 + 3 * sizes.mean_mm * sizes.sd_mm**2,
        error_mm3=3 * sizes.mean_mm**2 * mean_error,
    )


# ---------------------------------------------------------------- caliper visits


@dataclass(frozen=True, slots=True, kw_only=True)
class _Visit:
    """Caliper readings of one visit: (tag, day, D³) by tree."""

    day: float
    trees: Mapping[TreeId, tuple[tuple[str, float, float], ...]]


def caliper_cubes(readings: Sequence[CaliperReading]) -> tuple[DatedCube, ...]:
    """Mean D³ of each visit with at least `FEWEST_TREES` trees, in order of time."""
    return tuple(
        _cube_of_visit(visit) for visit in _visits(readings) if len(visit.trees) >= FEWEST_TREES
    )


def _visits(readings: Sequence[CaliperReading]) -> list[_Visit]:
    groups: list[list[CaliperReading]] = []
    for reading in sorted(readings, key=lambda one: one.measured_on):
        if groups and (reading.measured_on - groups[-1][0].measured_on).days < VISIT_DAYS:
            groups[-1].append(reading)
        else:
            groups.append([reading])
    return [_visit(group) for group in groups]


def _visit(readings: Sequence[CaliperReading]) -> _Visit:
    trees: dict[TreeId, tuple[tuple[str, float, float], ...]] = {}
    for one in readings:
        entry = (one.fruit, float(one.measured_on.toordinal()), one.diameter_mm**3)
        trees[one.tree] = (*trees.get(one.tree, ()), entry)
    days = [reading.measured_on.toordinal() for reading in readings]
    return _Visit(day=float(np.mean(days)), trees=trees)


def _rate_of(visits: Sequence[_Visit]) -> Sampled | None:
    """Rate over these visits: of tagged fruit, else of the means; None if it can't be had."""
    if visits[-1].day - visits[0].day < SHORTEST_DAYS:
        return None
    tagged = _tagged_slopes(visits)
    if len(tagged) >= FEWEST_TREES:
        return _rate_of_tagged(tagged)
    points = [_cube_of_visit(visit) for visit in visits if len(visit.trees) >= FEWEST_TREES]
    if len(points) < 2 or points[-1].day - points[0].day < SHORTEST_DAYS:
        return None
    return fit_rate(points)


@dataclass(frozen=True, slots=True, kw_only=True)
class _TaggedFruit:
    """Growth of one fruit a day, in D³ and in mm, 3D², by which one follows from the other, and the
    error of `mm_per_day` that its readings alone give."""

    mm3_per_day: float
    mm_per_day: float
    mm3_per_mm: float
    reading_error_mm: float


def _rate_of_tagged(trees: Sequence[Sequence[_TaggedFruit]]) -> Sampled:
    """Mean gain of D³, with the error of the mean gain in mm.

    Fruit gain about the same mm whatever their size, so large ones gain more D³. Which sizes were
    tagged is an error of the mean size today; it is not to count again as one of growth. Fruit that
    gain alike by chance still err as their readings do.
    """
    rate = cluster_mean([[fruit.mm3_per_day for fruit in tree] for tree in trees])
    in_mm = cluster_mean([[fruit.mm_per_day for fruit in tree] for tree in trees])
    fruit = [one for tree in trees for one in tree]
    mm3_per_mm = float(np.mean([one.mm3_per_mm for one in fruit]))
    read = float(np.sum([one.reading_error_mm**2 for one in fruit])) ** 0.5 / len(fruit)
    return Sampled(
        value=rate.value,
        error=max(in_mm.error, read) * mm3_per_mm,
        degrees_of_freedom=rate.degrees_of_freedom,
    )


def _tagged_slopes(visits: Sequence[_Visit]) -> list[list[_TaggedFruit]]:
    """Growth of every fruit tagged at the last visit and an earlier one, by tree."""
    variances = _forgotten(len(visits))
    found = []
    for tree in visits[-1].trees:
        seen: dict[str, list[tuple[float, float, float]]] = {}
        for visit, variance in zip(visits, variances, strict=True):
            for tag, day, cube in visit.trees.get(tree, ()):
                seen.setdefault(tag, []).append((day, cube, 1 / variance))
        last = {tag for tag, _, _ in visits[-1].trees[tree] if tag}
        slopes = [_slope(seen[tag]) for tag in sorted(last) if _days_of(seen[tag]) >= SHORTEST_DAYS]
        if slopes:
            found.append(slopes)
    return found


def _days_of(points: Sequence[tuple[float, float, float]]) -> float:
    return max(day for day, _, _ in points) - min(day for day, _, _ in points)


def _slope(points: Sequence[tuple[float, float, float]]) -> _TaggedFruit:
    days, cubes, weights = (np.array(column) for column in zip(*points, strict=True))
    shares, diameters = _slope_shares(days, weights), np.cbrt(cubes)
    return _TaggedFruit(
        mm3_per_day=float(shares @ cubes),
        mm_per_day=float(shares @ diameters),
        mm3_per_mm=3 * float(np.mean(diameters**2)),
        reading_error_mm=CALIPER_ERROR_MM * float(shares @ shares) ** 0.5,
    )


def _cube_of_visit(visit: _Visit) -> DatedCube:
    trees = [[cube for _, _, cube in of_tree] for of_tree in visit.trees.values()]
    mean = cluster_mean(trees)
    mm3_per_mm = 3 * np.concatenate(trees) ** (2 / 3)
    read = CALIPER_ERROR_MM * float(mm3_per_mm @ mm3_per_mm) ** 0.5 / len(mm3_per_mm)
    return DatedCube(day=visit.day, mean_mm3=mean.value, error_mm3=max(mean.error, read))


def _mean_mm(visit: _Visit) -> float:
    """Mean diameter of the fruit read at one visit.

    As many fruit are read on a heavy tree as on a light one, so that it is no mean of the block.
    """
    cubes = [cube for of_tree in visit.trees.values() for _, _, cube in of_tree]
    return float(np.mean(np.cbrt(cubes)))


def _refuse_shrinking(
    rate: Sampled | None, with_what: str, between: Sequence[_Visit | DatedCube]
) -> None:
    if rate is not None and rate.value + 2 * rate.error < 0:
        days = between[-1].day - between[0].day
        raise ForecastError(
            f"Fruit seem to shrink ({with_what}, {days:.0f} days).",
            fix="Check the scale and that both days measured the same trees.",
        )


def _words(with_what: str, times: str, visits: Sequence[_Visit]) -> str:
    days = visits[-1].day - visits[0].day
    many = f"{len(visits)} {times} in " if len(visits) > 2 else ""
    return f"{with_what}, {many}{days:.0f} days"


def _own(rate: Sampled, source: str) -> GrowthRate:
    return GrowthRate(mm3_per_day=max(0.0, rate.value), mm3_per_day_error=rate.error, source=source)

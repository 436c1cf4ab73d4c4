"""Drawn crops in P10, P50 and P90: by class, pass and week, with the gates that keep them honest.

Gates
-----
* A crop of which more than a quarter of the fruit rests on fewer than 8 trees a block has no
  cartons by class: a first look.
* Where more than a quarter of the fruit is picked more than 60 days ahead, only the four peak
  classes have a row of their own; what is smaller or larger is merged, since tails forecast early
  come out wrong (HortScience 54(11):1947-1954, 2019: good for the four peak box counts only).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import (
    BlockInputs,
    ClassForecast,
    CropForecast,
    Doubt,
    Doubts,
    Estimate,
    GradeForecast,
    PickForecast,
    SizeTable,
    WeekForecast,
    merge_doubts,
)
from fruitvision.forecast.crop_draws import CropDraws, cartons_by_week
from fruitvision.forecast.draw import FAR_AHEAD_DAYS
from fruitvision.forecast.inputs import default_losses
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Names of the fruit that fall outside the size table, and of all classes together.
UNDERSIZE = "undersize"
OVERSIZE = "oversize"
ALL = "all"
# Names of what is merged below and above the peak classes.
SMALLER = "smaller"
LARGER = "larger"
# Classes that are trusted far ahead, side by side (source above).
PEAK_CLASSES = 4
# Part of a total's fruit that may rest on a first look, or lie far ahead. Our choice: three good
# parts then stand beside it.
LARGEST_UNSURE_PART = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What a crop is called, and what is said beside its numbers."""

    name: str
    variety: str
    pick_date: date | None
    doubts: Doubts = ()
    rests_on: str = ""


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of a table by class: its name, and the columns that it adds up."""

    name: str
    first: int
    end: int


def summarise(
    crop: CropDraws, heading: Heading, table: SizeTable, settings: Settings
) -> CropForecast:
    """P10, P50 and P90 of every number of a drawn crop, by class and week."""
    rows = _rows(crop, table)
    return CropForecast(
        name=heading.name,
        variety=heading.variety,
        pick_date=heading.pick_date,
        fruit=estimate_of(crop.fruit),
        diameter_mm=_maybe(crop.diameter_mm),
        bins=_bins(crop.tonnes, settings),
        tonnes=_maybe(crop.tonnes),
        cartons=_whole(crop.cartons),
        classes=_classes(crop, rows),
        doubts=heading.doubts,
        weeks=week_forecasts(crop, rows),
        rests_on=heading.rests_on,
        grades=_grades(crop, rows),
    )


def pick_forecasts(crop: CropDraws, settings: Settings) -> tuple[PickForecast, ...]:
    """What each pass of one block brings in."""
    return tuple(
        PickForecast(
            pick_date=one.pick_date,
            fruit=estimate_of(one.fruit),
            diameter_mm=_maybe(one.diameter_mm),
            bins=_bins(one.tonnes, settings),
            cartons=_whole(one.cartons),
        )
        for one in crop.passes
    )


def estimate_of(draws: Array) -> Estimate:
    """P10, P50, P90 of draws."""
    p10, p50, p90 = np.quantile(draws, (0.1, 0.5, 0.9))
    return Estimate(float(p10), float(p50), float(p90))


def _estimates_of(draws: Array) -> list[Estimate]:
    """P10, P50, P90 of each column."""
    # Rows that lie together in memory are sorted faster than columns.
    by_column = np.ascontiguousarray(draws.T)
    quantiles = np.quantile(by_column, (0.1, 0.5, 0.9), axis=1, overwrite_input=True)
    return [Estimate(*map(float, column)) for column in quantiles.T]


def _maybe(draws: Array | None) -> Estimate | None:
    return None if draws is None else estimate_of(draws)


def _whole(cartons: Array | None) -> Estimate | None:
    return None if cartons is None else estimate_of(cartons.sum(axis=1))


def _bins(tonnes: Array | None, settings: Settings) -> Estimate | None:
    return None if tonnes is None else estimate_of(tonnes * 1000 / settings.bin_kg)


def forecast_doubts(inputs: BlockInputs, settings: Settings) -> Doubts:
    """All doubts of a block's forecast: those of the walk and those of the projection."""
    ahead = max(pick.pick_date for pick in inputs.plan.picks) - inputs.estimate.walked_on
    return merge_doubts(
        inputs.estimate.doubts,
        inputs.growth.doubts,
        inputs.weight.doubts,
        (Doubt.ASSUMED_CULLS,) if inputs.losses == default_losses(settings) else (),
        (Doubt.FAR_AHEAD,) if ahead.days > FAR_AHEAD_DAYS else (),
    )


# ---------------------------------------------------------------- classes


def _rows(crop: CropDraws, table: SizeTable) -> tuple[_Row, ...]:
    """The rows that a crop's tables by class may have; none for a first look."""
    if crop.class_fruit is None or _part(crop.unsure_fruit, crop.fruit) > LARGEST_UNSURE_PART:
        return ()
    names = (UNDERSIZE, *(size_class.name for size_class in table.classes), OVERSIZE)
    single = tuple(_Row(name, index, index + 1) for index, name in enumerate(names))
    if _part(crop.far_fruit, crop.fruit) <= LARGEST_UNSURE_PART:
        return single
    first, end = _peak(crop.class_fruit.mean(axis=0))
    return (_Row(SMALLER, 0, first), *single[first:end], _Row(LARGER, end, len(names)))


def _part(of: Array, whole: Array) -> float:
    return float(of.mean()) / max(float(whole.mean()), 1e-9)


def _peak(fruit: Array) -> tuple[int, int]:
    """First and end column of the neighbouring classes that hold the most fruit."""
    inner = fruit[1:-1]
    width = min(PEAK_CLASSES, len(inner))
    sums = np.convolve(inner, np.ones(width), mode="valid")
    first = int(np.argmax(sums)) + 1
    return first, first + width


def _with_outside(cartons: Array) -> Array:
    """Cartons with a column of none for the fruit below and above the table."""
    nothing = np.zeros((len(cartons), 1))
    return np.hstack([nothing, cartons, nothing])


def _by_row(columns: Array, rows: Sequence[_Row]) -> Array:
    return np.stack([columns[:, row.first : row.end].sum(axis=1) for row in rows], axis=1)


def _classes(crop: CropDraws, rows: Sequence[_Row]) -> tuple[ClassForecast, ...]:
    """Classes from small to large; fruit below and above the table get no carton."""
    if not rows or crop.cartons is None or crop.class_fruit is None:
        return ()
    cartons = _estimates_of(_by_row(_with_outside(crop.cartons), rows))
    shares = crop.class_fruit / np.maximum(crop.fruit, 1e-9)[:, np.newaxis]
    return tuple(
        ClassForecast(size_class=row.name, share=share, cartons=packed)
        for row, share, packed in zip(
            rows, _estimates_of(_by_row(shares, rows)), cartons, strict=True
        )
    )


def _grades(crop: CropDraws, rows: Sequence[_Row]) -> tuple[GradeForecast, ...]:
    """Each grade: its classes that may fill a carton at P90, then all of them."""
    found = []
    for grade, cartons in crop.grades.items():
        estimates = _estimates_of(_by_row(_with_outside(cartons), rows)) if rows else []
        named = [(row.name, one) for row, one in zip(rows, estimates, strict=True) if one.p90 > 0]
        found += [
            GradeForecast(grade=grade, size_class=name, cartons=one)
            for name, one in (*named, (ALL, estimate_of(cartons.sum(axis=1))))
        ]
    return tuple(found)


# ---------------------------------------------------------------- weeks


def week_forecasts(crop: CropDraws, rows: Sequence[_Row] = ()) -> tuple[WeekForecast, ...]:
    """Cartons of each week, all classes and each class that may come in; week = its Monday.

    Weeks and classes that bring nothing at P90 are left out. Empty where cartons are unknown.
    """
    found = []
    for monday, cartons in sorted(cartons_by_week(crop).items()):
        whole = estimate_of(cartons.sum(axis=1))
        if whole.p90 <= 0:
            continue
        week = date.fromordinal(monday)
        found.append(WeekForecast(week=week, size_class=ALL, cartons=whole))
        if rows:
            of_class = _estimates_of(_by_row(_with_outside(cartons), rows))
            found += [
                WeekForecast(week=week, size_class=row.name, cartons=estimate)
                for row, estimate in zip(rows, of_class, strict=True)
                if estimate.p90 > 0
            ]
    return tuple(found)

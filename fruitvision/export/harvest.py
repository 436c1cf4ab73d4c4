"""The calendar of the harvest as a CSV table.

harvest.csv
    One row per block, pass and day; one per day of the farm; one for the whole harvest. `level` is
    block, day or farm. `week` is the ISO week of the day, `monday` its first day. `share` is the
    part (0 to 1) of the pass that is planned for the day. Means add up over the rows of a level,
    ranges and numbers to plan with do not. `bins_to_order`, `pickers_planned` and
    `pickers_overtime` (what overtime of the planned crew should reach) are whole ones, as
    everywhere, and of a pass or a day alone: the farm's row has none. `pickers_short`
    and `bins_short` are what P90 of a day is above the crew and the bins on hand, `rooms_over` the
    bins that the cold rooms do not take then; empty where these are not set. `place_bins_on` is the
    day on which empty bins go into the lanes. A picker-day is one picker for one day.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import ceil
from pathlib import Path

from fruitvision.domain import Estimate
from fruitvision.export.csv_text import Cell, csv_bytes, rounded
from fruitvision.export.details import PERCENTILES
from fruitvision.export.words import NOTE, pick_week, save
from fruitvision.forecast.picks import monday_of
from fruitvision.harvest import HarvestCalendar, Need

# Decimals of bins and picker-days. Our choice: finer than any of them is known.
_DECIMALS = 1

HARVEST_COLUMNS = (
    "level",
    "day",
    "week",
    "monday",
    "block",
    "variety",
    "pass",
    "share",
    "bins_mean",
    *(f"bins_{percentile}" for percentile in PERCENTILES),
    "bins_to_order",
    "picker_days_mean",
    *(f"picker_days_{percentile}" for percentile in PERCENTILES),
    "pickers_planned",
    "pickers_overtime",
    "pickers_short",
    "bins_short",
    "rooms_over",
    "place_bins_on",
    "note",
    "farm",
    "forecast_id",
)


def write_harvest_csv(calendar: HarvestCalendar, path: Path) -> None:
    """Write the calendar, numbers rounded for reading.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    origin = NOTE, calendar.farm, calendar.forecast_id
    save(path, csv_bytes(HARVEST_COLUMNS, ((*row, *origin) for row in _rows(calendar))))


def _rows(calendar: HarvestCalendar) -> Iterator[tuple[Cell, ...]]:
    places = calendar.stock.places if calendar.stock is not None else ()
    placed = {(one.block_id, one.number, one.day): one.place_on.isoformat() for one in places}
    for part in calendar.parts:
        where = part.block_id, part.variety, part.number, round(part.share, 4)
        place = placed.get((part.block_id, part.number, part.day))
        yield ("block", *_when(part.day), *where, *_numbers(part.need), None, None, None, place)
    for day in calendar.days:
        pickers = day.pickers_short if calendar.crew else None
        bins = day.bins_short if calendar.bins_on_hand else None
        over = day.rooms_over if calendar.rooms is not None else None
        nowhere = None, None, None, None
        yield ("day", *_when(day.day), *nowhere, *_numbers(day.need), pickers, bins, over, None)
    if calendar.total is not None:
        yield ("farm", *[None] * 7, *_numbers(calendar.total, to_plan=False), *[None] * 4)


def _when(day: date) -> tuple[str, str, str]:
    return day.isoformat(), pick_week(day), monday_of(day).isoformat()


def _numbers(need: Need, *, to_plan: bool = True) -> tuple[float | None, ...]:
    """Means, ranges, and whole bins and pickers to plan with, which are of a pass or a day."""
    return (
        *_range(need.mean_bins, need.bins),
        ceil(need.bins_to_order) if to_plan else None,
        *_range(need.mean_picker_days, need.picker_days),
        *(map(ceil, (need.pickers_planned, need.pickers_overtime)) if to_plan else (None, None)),
    )


def _range(mean: float, estimate: Estimate) -> tuple[float | None, ...]:
    ranges = (getattr(estimate, percentile) for percentile in PERCENTILES)
    return tuple(rounded(value, _DECIMALS) for value in (mean, *ranges))

"""Which season a day of a block belongs to, also where its harvest goes over New Year.

A season of a block is one harvest of it, called by the year of its first pick: in the southern
half-year a block picked from 28 December on has one season, not two. Days no more than half a year
apart are of one harvest.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from fruitvision.domain import Forecast

# Days within which picks are of one harvest. Our choice: half a year. A farm picks apples over five
# months at most, and begins again some seven months after its last block was begun.
HALF_YEAR_DAYS = 182


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockSeason:
    """One harvest of a block: the year that it is called by, and the day that it is known by (the
    first pick as it was planned first; the first ticket where nothing was planned)."""

    season: int
    begins: date


def same_harvest(one: date, other: date) -> bool:
    """Whether two picks, of one block or of two, belong to one harvest of the farm."""
    return abs((one - other).days) <= HALF_YEAR_DAYS


def next_harvest_from(begins: date) -> date:
    """The first day on which a walk or a pick is of the harvest after the one that began then."""
    return begins + timedelta(days=HALF_YEAR_DAYS + 1)


def first_picks(forecasts: Iterable[Forecast]) -> dict[str, list[date]]:
    """Planned days of first picks by block, in the order in which they were planned."""
    found: dict[str, list[date]] = {}
    for forecast in forecasts:
        for one in forecast.inputs:
            name = one.estimate.block.block_id
            found.setdefault(name, []).append(one.plan.picks[0].pick_date)
    return found


def block_seasons(planned: Iterable[date], picked: Iterable[date] = ()) -> tuple[BlockSeason, ...]:
    """All harvests of one block, the earliest first, each with a year of its own.

    A harvest keeps its year when its pick is moved over New Year. One that begins in the year that
    the harvest before is called by (picked in early January, then in late December) is called by
    the next.

    Parameters
    ----------
    planned : iterable of date
        Days of first picks, in the order in which they were planned.
    picked : iterable of date
        Days of tickets.
    """
    begun: list[date] = []
    for day in (*planned, *sorted(picked)):
        if not any(same_harvest(day, one) for one in begun):
            begun.append(day)
    found: list[BlockSeason] = []
    for begins in sorted(begun):
        free = found[-1].season + 1 if found else begins.year
        found.append(BlockSeason(season=max(begins.year, free), begins=begins))
    return tuple(found)


def season_on(day: date, seasons: Sequence[BlockSeason]) -> BlockSeason:
    """The harvest that a day belongs to: the nearest one; one of that year where none is near."""
    near = [one for one in seasons if same_harvest(day, one.begins)]
    if not near:
        return BlockSeason(season=day.year, begins=day)
    return min(near, key=lambda one: abs((one.begins - day).days))

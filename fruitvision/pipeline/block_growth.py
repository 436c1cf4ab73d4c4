"""Growth by the order of trust: the block's own, like blocks', the farm's past, the default."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from fruitvision.domain import GrowthRate
from fruitvision.forecast.growth import SEASON_DAYS
from fruitvision.forecast.like_growth import choose_growth, farm_growth, sister_growth
from fruitvision.forecast.own_growth import (
    DatedCube,
    WalkSize,
    caliper_cubes,
    cube_of_walk,
    own_growth,
)
from fruitvision.pipeline.block_record import BlockRecord
from fruitvision.pipeline.measured_walks import of_season
from fruitvision.settings import Settings

# Up to this many days after the walk the farm's past is looked at where no pick date is set. Our
# choice: the horizon up to which a forecast is trusted in full is twice that.
USUAL_DAYS_AHEAD = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonOfBlock:
    """A block's own growth of one season, and what else to ask for it.

    `own` is None if the block was not measured twice; `last_pick` is None if no pick is planned.
    """

    record: BlockRecord
    walked_on: date
    own: GrowthRate | None
    last_pick: date | None


def own_rate(record: BlockRecord, sizes: Sequence[WalkSize], walked_on: date) -> GrowthRate | None:
    """The block's own rate of the season of a walk.

    Raises
    ------
    ForecastError
        If fruit shrink beyond noise.
    """
    return own_growth(
        [reading for reading in record.calipers if of_season(reading.measured_on, walked_on)],
        [walk for walk in sizes if of_season(walk.measured_on, walked_on)],
    )


def rate_of(
    block: SeasonOfBlock, others: Mapping[str, SeasonOfBlock], settings: Settings
) -> GrowthRate:
    """The rate that a block is forecast with.

    Parameters
    ----------
    others : mapping
        Seasons of the farm's blocks by name; the block's own may be among them.
    """
    like = {
        name: other
        for name, other in others.items()
        if name != block.record.block.block_id and other.record.kind == block.record.kind
    }
    rates = {
        name: other.own
        for name, other in like.items()
        if other.own is not None and of_season(other.walked_on, block.walked_on)
    }
    pick = block.last_pick or block.walked_on + timedelta(days=USUAL_DAYS_AHEAD)
    past = [
        year for one in (block, *like.values()) for year in past_years(one.record, block.walked_on)
    ]
    return choose_growth(
        block.own,
        sister_growth(rates),
        farm_growth(past, walk=block.walked_on, pick=pick),
        settings,
    )


def past_years(record: BlockRecord, walked_on: date) -> tuple[tuple[DatedCube, ...], ...]:
    """Mean D³ at the visits of each season before that of a walk: of calipers, else of photos."""

    def is_past(day: date) -> bool:
        return day < walked_on and not of_season(day, walked_on)

    readings = [one for one in record.calipers if is_past(one.measured_on)]
    walks = [
        (walk, sizes)
        for walk, sizes in zip(record.walks, record.sizes, strict=True)
        if is_past(walk.walked_on)
    ]
    days = [one.measured_on for one in readings] + [walk.walked_on for walk, _ in walks]
    found = []
    for first, last in seasons_of(days):
        of_year = [one for one in readings if first <= one.measured_on <= last]
        cubes = caliper_cubes(of_year)
        if len(cubes) < 2:
            cubes = tuple(
                cube_of_walk(sizes.alike)
                for walk, sizes in walks
                if first <= walk.walked_on <= last and sizes.alike is not None
            )
        found.append(cubes)
    return tuple(found)


def seasons_of(days: Iterable[date]) -> tuple[tuple[date, date], ...]:
    """First and last day of each season that the days belong to."""
    seasons: list[tuple[date, date]] = []
    for day in sorted(days):
        if seasons and (day - seasons[-1][0]).days <= SEASON_DAYS:
            seasons[-1] = seasons[-1][0], day
        else:
            seasons.append((day, day))
    return tuple(seasons)

"""The calendar of a harvest: bins and picker-days of each pass, and of each working day.

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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import ceil

from fruitvision.domain import ColdRoom, Forecast, PickPlan, UseQuantiles
from fruitvision.forecast.words import use_quantiles
from fruitvision.harvest.bin_stock import BinsOfDay, BinStock, bin_stock
from fruitvision.harvest.need import Draws, Need, Planning, added, need_of, planning
from fruitvision.harvest.passes import DrawnPass, draw_harvest
from fruitvision.harvest.rooms import Arrival, RoomPlan, fill_rooms
from fruitvision.settings import Settings


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
    up; 0 where it is not, or where the farm did not set them. `rooms_over` are bins, at P90, that
    the cold rooms do not take on that day; 0 without rooms.
    """

    day: date
    blocks: tuple[str, ...]
    need: Need
    pickers_short: int
    bins_short: int
    rooms_over: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class HarvestCalendar:
    """Passes by day, their parts, the days, and the whole harvest.

    `unknown` are blocks whose bins can't be said (no hand counts, no sizes); they are nowhere else.
    `total` is None if there is nothing but those. `stock` tells where empty bins go, `rooms` which
    cold room takes what; None where nothing is picked, or the farm has no rooms. `moved` are blocks
    that are picked otherwise than the forecast says. `picked_bins` are those of tickets; all other
    numbers are then those of the rest.
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
    overtime_quantile: float = 0.8
    stock: BinStock | None = None
    rooms: RoomPlan | None = None
    moved: tuple[str, ...] = ()
    picked_bins: float = 0.0

    @property
    def short_days(self) -> tuple[HarvestDay, ...]:
        """Days on which P90 is above the crew, the bins on hand or what the rooms take."""
        return tuple(
            one for one in self.days if one.pickers_short or one.bins_short or one.rooms_over
        )


def harvest_calendar(
    forecast: Forecast,
    settings: Settings,
    *,
    plans: Mapping[str, PickPlan] | None = None,
    rooms: Sequence[ColdRoom] = (),
) -> HarvestCalendar:
    """Bins and picker-days by pass and by day.

    Parameters
    ----------
    forecast : Forecast
        A kept one, with what it was drawn from.
    settings : Settings
        The farm's own today: how fast it picks, its crew and bins. All else is the forecast's.
    plans : mapping, optional
        Other passes for some blocks than those of the forecast.
    rooms : sequence of ColdRoom
        The farm's cold rooms, in the order in which they are to be filled.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    drawn = draw_harvest(forecast, settings, plans)
    calendar = calendar_of(drawn.passes, forecast, settings, rooms=rooms)
    return replace(calendar, unknown=drawn.unknown, moved=tuple(plans or ()))


def calendar_of(
    drawn: Sequence[DrawnPass],
    forecast: Forecast,
    settings: Settings,
    *,
    rooms: Sequence[ColdRoom] = (),
    arrived: Sequence[Arrival] = (),
) -> HarvestCalendar:
    """The calendar of drawn passes.

    Parameters
    ----------
    arrived : sequence of Arrival
        Bins that came in already; they stand in the rooms, and are in no other number.
    """
    plan = planning(settings, forecast.quantiles or use_quantiles(settings))
    by_day: dict[date, list[_Part]] = defaultdict(list)
    for one in drawn:
        for day, share in one.days:
            by_day[day].append(_Part(of=one, day=day, share=share))
    parts = [part for day in sorted(by_day) for part in by_day[day]]
    filled = fill_rooms([*arrived, *_arrivals(parts)], rooms) if rooms else None
    return HarvestCalendar(
        forecast_id=forecast.forecast_id,
        farm=forecast.farm,
        passes=tuple(_pass_plan(one, plan) for one in sorted(drawn, key=_first)),
        parts=tuple(_pass_day(part, plan) for part in parts),
        days=tuple(_day(day, by_day[day], plan, settings, filled) for day in sorted(by_day)),
        total=need_of(added([one.draws for one in drawn]), plan) if drawn else None,
        unknown=(),
        bins_per_picker_day=settings.bins_per_picker_day,
        crew=settings.crew,
        bins_on_hand=settings.bins_on_hand,
        quantiles=plan.uses,
        overtime_quantile=plan.overtime,
        stock=_stock(parts, plan, settings),
        rooms=filled,
    )


# ---------------------------------------------------------------- parts of passes


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Part:
    of: DrawnPass
    day: date
    share: float

    @property
    def draws(self) -> Draws:
        return self.of.draws.part(self.share)


def _arrivals(parts: Sequence[_Part]) -> list[Arrival]:
    """What comes in of every variety on every day."""
    found: dict[tuple[date, str], list[Draws]] = defaultdict(list)
    for part in parts:
        found[part.day, part.of.variety].append(part.draws)
    return [
        Arrival(day=day, variety=variety, bins=added(draws).bins)
        for (day, variety), draws in found.items()
    ]


def _stock(parts: Sequence[_Part], plan: Planning, settings: Settings) -> BinStock | None:
    return bin_stock(
        [
            BinsOfDay(
                block_id=part.of.block_id,
                variety=part.of.variety,
                number=part.of.number,
                day=part.day,
                bins=part.draws.bins,
            )
            for part in parts
        ],
        plan,
        ahead_days=settings.bins_ahead_days,
        waiting_days=settings.bins_waiting_days,
    )


def _first(one: DrawnPass) -> tuple[date, date, str]:
    return one.pick_date, one.days[0][0], one.block_id


def _pass_plan(one: DrawnPass, plan: Planning) -> PassPlan:
    return PassPlan(
        block_id=one.block_id,
        variety=one.variety,
        number=one.number,
        passes=one.passes,
        pick_date=one.pick_date,
        first_day=one.days[0][0],
        last_day=one.days[-1][0],
        need=need_of(one.draws, plan),
    )


def _pass_day(part: _Part, plan: Planning) -> PassDay:
    return PassDay(
        block_id=part.of.block_id,
        variety=part.of.variety,
        number=part.of.number,
        day=part.day,
        share=part.share,
        need=need_of(part.draws, plan),
    )


def _day(
    day: date,
    parts: Sequence[_Part],
    plan: Planning,
    settings: Settings,
    rooms: RoomPlan | None,
) -> HarvestDay:
    need = need_of(added([part.draws for part in parts]), plan)
    return HarvestDay(
        day=day,
        blocks=tuple(part.of.block_id for part in parts),
        need=need,
        pickers_short=_short(need.picker_days.p90, settings.crew),
        bins_short=_short(need.bins.p90, settings.bins_on_hand),
        rooms_over=rooms.over_on(day) if rooms is not None else 0,
    )


def _short(needed: float, there: int) -> int:
    return max(0, ceil(needed - there)) if there else 0

"""Which cold room takes what is picked, and what is more than the rooms take in a day.

A room holds one variety. Rooms are given out by P50 of what comes in: first-fit by date, so that a
variety opens the next free room, in the order of the list, on the first day on which its rooms are
full or have taken their share of the day; rooms kept for a variety come before the others. With
that, every draw of the simulation fills the rooms day by day, and what does not fit is over: on P50
of it somebody has to plan, on P90 there may be need. Bins come in on the day of the pick, and none
leaves before the harvest is over.

A plan of places, no order for those who run the cooling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from math import ceil

import numpy as np

from fruitvision.domain import ColdRoom, Estimate
from fruitvision.forecast.summary import estimate_of
from fruitvision.harvest.need import Array

# Less than this many bins open no further room, and are not called over. Our choice: a whole one.
ONE_BIN = 1.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Arrival:
    """Bins of one variety that come in on one day, drawn many times: (draws,)."""

    day: date
    variety: str
    bins: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomUse:
    """What a room holds: its variety, since when, bins at the end, the day it is full at P50."""

    room: ColdRoom
    variety: str
    first_day: date
    fill: Estimate
    full_on: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomDay:
    """One variety on one day: bins that come in, room for them, and what is over.

    `takes` is what its rooms may take on that day at P50. `full` says that they are full, not only
    loaded as fast as they may be; `rooms` names those that the variety has by then.
    """

    day: date
    variety: str
    rooms: tuple[str, ...]
    arriving: Estimate
    takes: float
    over: Estimate
    full: bool

    @property
    def bins_over(self) -> int:
        """Whole bins over at P90; 0 where it is less than one."""
        return ceil(self.over.p90 - 1e-6) if self.over.p90 >= ONE_BIN - 1e-6 else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomPlan:
    """Rooms in use, days, and the names of rooms that nothing is planned for."""

    rooms: tuple[RoomUse, ...]
    days: tuple[RoomDay, ...]
    spare: tuple[str, ...]

    def over_on(self, day: date) -> int:
        """Bins of all varieties that are over on a day, at P90 of each."""
        return sum(one.bins_over for one in self.days if one.day == day)


@dataclass(eq=False)
class _Filling:
    """A room while it is filled: bins in it, and those of the day, in every draw."""

    room: ColdRoom
    variety: str
    first_day: date
    bins: Array
    today: Array
    full_on: date | None = None

    @property
    def free_today(self) -> Array:
        """Bins that may still come in today."""
        of_day = self.room.daily_bins - self.today
        return np.maximum(np.minimum(of_day, self.room.bins - self.bins), 0.0)

    def take(self, bins: Array) -> Array:
        """Put in what fits, and give back the rest."""
        taken = np.minimum(bins, self.free_today)
        self.bins = self.bins + taken
        self.today = self.today + taken
        return np.asarray(bins - taken)


@dataclass(eq=False)
class _Store:
    """All rooms of a farm while they are filled with so many draws of a harvest."""

    draws: int
    filling: list[_Filling] = field(default_factory=list)

    def of(self, variety: str, day: date) -> list[_Filling]:
        """The rooms that the variety has on a day, in the order in which it got them."""
        return [one for one in self.filling if one.variety == variety and one.first_day <= day]

    def open(self, room: ColdRoom, variety: str, day: date) -> _Filling:
        nothing = np.zeros(self.draws)
        one = _Filling(room=room, variety=variety, first_day=day, bins=nothing, today=nothing)
        self.filling.append(one)
        return one

    def next_day(self) -> None:
        for one in self.filling:
            one.today = np.zeros(self.draws)


def fill_rooms(arrivals: Sequence[Arrival], rooms: Sequence[ColdRoom]) -> RoomPlan:
    """Rooms given out by P50 of what comes in, and filled in every draw."""
    by_day = sorted(arrivals, key=lambda one: (one.day, one.variety))
    given_out = _give_out(by_day, rooms)
    if not by_day:
        return RoomPlan(rooms=(), days=(), spare=tuple(one.name for one in rooms))
    store = _Store(draws=len(by_day[0].bins))
    for one in given_out:
        store.open(one.room, one.variety, one.first_day)
    days = []
    for number, arrival in enumerate(by_day):
        if number and by_day[number - 1].day != arrival.day:
            store.next_day()
        days.append(_one_day(arrival, store.of(arrival.variety, arrival.day)))
    used = {one.room.name for one in given_out}
    return RoomPlan(
        rooms=tuple(
            RoomUse(
                room=one.room,
                variety=one.variety,
                first_day=one.first_day,
                fill=estimate_of(one.bins),
                full_on=one.full_on,
            )
            for one in store.filling
        ),
        days=tuple(days),
        spare=tuple(one.name for one in rooms if one.name not in used),
    )


def _one_day(arrival: Arrival, rooms: Sequence[_Filling]) -> RoomDay:
    takes = float(sum(np.median(one.free_today) for one in rooms))
    rest = arrival.bins
    for one in rooms:
        rest = one.take(rest)
        if one.full_on is None and np.median(one.bins) > one.room.bins - ONE_BIN:
            one.full_on = arrival.day
    return RoomDay(
        day=arrival.day,
        variety=arrival.variety,
        rooms=tuple(one.room.name for one in rooms),
        arriving=estimate_of(arrival.bins),
        takes=takes,
        over=estimate_of(rest),
        full=all(one.full_on is not None for one in rooms),
    )


def _give_out(arrivals: Sequence[Arrival], rooms: Sequence[ColdRoom]) -> list[_Filling]:
    """Which room gets which variety, and when, by P50 of what comes in."""
    free = list(rooms)
    store = _Store(draws=1)
    day: date | None = None
    for arrival in arrivals:
        if day != arrival.day:
            store.next_day()
        day = arrival.day
        rest = np.array([np.median(arrival.bins)])
        for one in store.of(arrival.variety, arrival.day):
            rest = one.take(rest)
        while rest[0] >= ONE_BIN and (room := _next_room(free, arrival.variety)) is not None:
            free.remove(room)
            rest = store.open(room, arrival.variety, arrival.day).take(rest)
    return store.filling


def _next_room(free: Sequence[ColdRoom], variety: str) -> ColdRoom | None:
    """The first free room that is kept for the variety, else the first that is kept for none."""
    for kept_for in (variety, ""):
        for room in free:
            if room.variety == kept_for:
                return room
    return None

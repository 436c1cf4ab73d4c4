"""Which pass a bin ticket belongs to, and which passes are finished.

A ticket with the number of a pass is of that pass; one without is of the pass whose planned day is
nearest. A pass is finished if a person says so, of it or of a later pass of its block; or if it has
tickets, a later pass of its block has some too, and all days planned for it are past. Without any
ticket only a person can tell.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from fruitvision.domain import BinTicket, Forecast
from fruitvision.forecast.growth import SEASON_DAYS
from fruitvision.harvest.passes import DrawnHarvest, DrawnPass

# Block and number of a pass, 1 for the first.
PassKey = tuple[str, int]


class PassState(StrEnum):
    """How far a pass is."""

    TO_COME = "to come"
    UNDER_WAY = "under way"
    FINISHED = "finished"


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutTicket:
    """A ticket that belongs to no pass of the forecast, and why."""

    ticket: BinTicket
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SortedTickets:
    """Bins by pass, and what belongs to none.

    `arrived` : bins by day and variety. `as_of` is the last day of a ticket of the season; None
    without any. `other_seasons` counts tickets of other years, `inferred` holds passes that are
    finished though nobody said so.
    """

    bins: Mapping[PassKey, float]
    arrived: Mapping[tuple[date, str], float]
    states: Mapping[PassKey, PassState]
    inferred: frozenset[PassKey]
    left_out: tuple[LeftOutTicket, ...]
    other_seasons: int
    as_of: date | None


def sort_tickets(
    tickets: Sequence[BinTicket],
    forecast: Forecast,
    harvest: DrawnHarvest,
    finished: Collection[PassKey] = (),
) -> SortedTickets:
    """Tickets by pass of a forecast.

    Parameters
    ----------
    finished : collection of (block, number)
        Passes of which a person said so.
    """
    walked = {one.estimate.block.block_id: one.estimate.walked_on for one in forecast.inputs}
    start = min(walked.values())
    season = [one for one in tickets if abs((one.picked_on - start).days) <= SEASON_DAYS]
    by_block: dict[str, list[DrawnPass]] = defaultdict(list)
    for one in harvest.passes:
        by_block[one.block_id].append(one)
    bins: dict[PassKey, float] = defaultdict(float)
    arrived: dict[tuple[date, str], float] = defaultdict(float)
    left_out = []
    for ticket in season:
        passes = by_block.get(ticket.block_id, [])
        why = _why_not(ticket, passes, walked.get(ticket.block_id))
        if why:
            left_out.append(LeftOutTicket(ticket=ticket, why=why))
            continue
        bins[ticket.block_id, _pass_of(ticket, passes)] += ticket.bins
        arrived[ticket.picked_on, passes[0].variety] += ticket.bins
    as_of = max((day for day, _ in arrived), default=None)
    states, inferred = _states(by_block, bins, finished, as_of)
    return SortedTickets(
        bins=dict(bins),
        arrived=dict(arrived),
        states=states,
        inferred=inferred,
        left_out=tuple(left_out),
        other_seasons=len(tickets) - len(season),
        as_of=as_of,
    )


def _why_not(ticket: BinTicket, passes: Sequence[DrawnPass], walked_on: date | None) -> str:
    """Why a ticket belongs to no pass; empty if it does."""
    if walked_on is None:
        return f"The forecast has no block '{ticket.block_id}'."
    if not passes:
        return f"The forecast has no bins for {ticket.block_id}."
    if ticket.picked_on < walked_on:
        return f"It is of {ticket.picked_on}, before the walk of {walked_on}."
    if ticket.pass_number > len(passes):
        return f"It is of pass {ticket.pass_number}, and the last one planned is {len(passes)}."
    return ""


def _pass_of(ticket: BinTicket, passes: Sequence[DrawnPass]) -> int:
    if ticket.pass_number:
        return ticket.pass_number
    return min(passes, key=lambda one: abs((one.pick_date - ticket.picked_on).days)).number


def _states(
    by_block: Mapping[str, Sequence[DrawnPass]],
    bins: Mapping[PassKey, float],
    finished: Collection[PassKey],
    as_of: date | None,
) -> tuple[Mapping[PassKey, PassState], frozenset[PassKey]]:
    states: dict[PassKey, PassState] = {}
    inferred = set()
    for block_id, passes in by_block.items():
        last_said = max((number for block, number in finished if block == block_id), default=0)
        last_begun = max((one.number for one in passes if one.key in bins), default=0)
        for one in passes:
            past = as_of is not None and max(day for day, _ in one.days) < as_of
            if one.number <= last_said:
                states[one.key] = PassState.FINISHED
            elif one.key not in bins:
                states[one.key] = PassState.TO_COME
            elif one.number < last_begun and past:
                states[one.key] = PassState.FINISHED
                inferred.add(one.key)
            else:
                states[one.key] = PassState.UNDER_WAY
    return states, frozenset(inferred)

"""Bin tickets of a table that can hardly be meant: of another day, or of far too many bins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fruitvision.domain import BinTicket
from fruitvision.field_table import FieldTable
from fruitvision.learning.matching import seasons_of
from fruitvision.learning.pick_season import first_picks, same_harvest, season_on
from fruitvision.pipeline.sales import of_record
from fruitvision.store import Store

# Days from the nearest day that a pick of the block is, or was, planned for. Our choice: a variety
# is picked over two to three weeks, and a season is early or late by as many.
WINDOW_DAYS = 45
# Bins of a block and season beyond so many times the P90 of its forecast. Our choice: forecasts
# miss, but not by that.
TIMES_P90 = 2.0
_YEAR = 365.25


@dataclass(frozen=True, slots=True, kw_only=True)
class OddTicket:
    """A ticket that can hardly be meant: its line, why, and whether a person said it is meant."""

    line: int
    ticket: BinTicket
    why: str
    meant: bool


def odd_tickets(
    table: FieldTable[BinTicket],
    store: Store,
    meant: frozenset[int] = frozenset(),
    *,
    today: date | None = None,
) -> tuple[OddTicket, ...]:
    """Tickets of the future, far from every planned pick of their block, or of more bins than the
    block can bear. One that the farm has just so is asked about no more.

    Parameters
    ----------
    meant : frozenset of int
        Lines of which a person said so.
    today : date, optional
        Without it no day is of the future.
    """
    planned, most = _of_forecasts(store)
    there = set(store.bin_tickets())
    too_many = _too_many(table, store, most)
    found = []
    for line, ticket in zip(table.lines, table.rows, strict=True):
        why = _of_its_day(ticket, planned.get(ticket.block_id, ()), today) or too_many.get(
            ticket.ticket, ""
        )
        if why and ticket not in there:
            found.append(OddTicket(line=line, ticket=ticket, why=why, meant=line in meant))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Most:
    """P90 of the bins of a block, by the latest forecast of the harvest that begins on a day."""

    begins: date
    bins: float


def _of_forecasts(store: Store) -> tuple[Mapping[str, Sequence[date]], Mapping[str, list[_Most]]]:
    """Days that picks are, or were, planned for, by block; what each can bear, the latest forecast
    first."""
    days: dict[str, list[date]] = {}
    most: dict[str, list[_Most]] = {}
    for forecast in of_record(store.forecasts()):
        begins = {}
        for one in forecast.inputs:
            picks = [pick.pick_date for pick in one.plan.picks]
            name = one.estimate.block.block_id
            days.setdefault(name, []).extend(picks)
            begins[name] = picks[0]
        for crop in forecast.blocks:
            if crop.bins is not None and crop.name in begins:
                found = _Most(begins=begins[crop.name], bins=crop.bins.p90)
                most.setdefault(crop.name, []).insert(0, found)
    for name, plan in store.pick_plans().items():
        days.setdefault(name, []).extend(pick.pick_date for pick in plan.picks)
    for block in store.blocks():
        if block.pick_date is not None:
            days.setdefault(block.block_id, []).append(block.pick_date)
    return days, most


def _of_its_day(ticket: BinTicket, planned: Sequence[date], today: date | None) -> str:
    if today is not None and ticket.picked_on > today:
        return f"It is of {ticket.picked_on}, a day to come."
    if not planned:
        return ""
    # Of any year: papers of earlier seasons come in too.
    nearest = min(planned, key=lambda day: _away(day, ticket.picked_on))
    if _away(nearest, ticket.picked_on) > WINDOW_DAYS:
        return (
            f"It is of {ticket.picked_on}, far from the pick of {ticket.block_id}, "
            f"planned for {nearest}."
        )
    return ""


def _away(one: date, other: date) -> float:
    """Days between two days of the year."""
    days = abs((one - other).days) % _YEAR
    return min(days, _YEAR - days)


def _too_many(
    table: FieldTable[BinTicket], store: Store, can_bear: Mapping[str, Sequence[_Most]]
) -> dict[str, str]:
    """Why, of the largest new tickets of a block, until what is left can be believed."""
    kept = {one.ticket: one for one in store.bin_tickets()}
    after = kept | {one.ticket: one for one in table.rows}
    seasons = seasons_of(after.values(), first_picks(of_record(store.forecasts())))
    bins: dict[tuple[str, date], float] = {}
    for one in after.values():
        key = one.block_id, season_on(one.picked_on, seasons[one.block_id]).begins
        bins[key] = bins.get(key, 0.0) + one.bins
    found = {}
    for one in sorted(table.rows, key=lambda row: -row.bins):
        begins = season_on(one.picked_on, seasons[one.block_id]).begins
        near = (
            item.bins
            for item in can_bear.get(one.block_id, ())
            if same_harvest(item.begins, begins)
        )
        most, key = next(near, None), (one.block_id, begins)
        if most is not None and bins[key] > TIMES_P90 * most and kept.get(one.ticket) != one:
            found[one.ticket] = (
                f"{one.block_id} would have {bins[key]:,.0f} bins, and its forecast is "
                f"{most:,.0f} at most (P90)."
            )
            bins[key] -= one.bins
    return found

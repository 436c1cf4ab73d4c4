"""The calendar of the harvest as iCalendar (RFC 5545), for the calendars of phones and offices.

One all-day event a pass, from its first to its last day. Its UID rests on farm, season, block and
number of the pass, so that a pass that is planned anew takes the place of what was there; SEQUENCE
grows with each file (`pipeline/calendar_number.py`), so that the file that was written last counts,
whichever version it is of. A pass that there was in an earlier version and is not planned any
longer comes as CANCELLED.

Beside the words for people each event carries `X-FRUITVISION-BINS-MEAN` and
`X-FRUITVISION-PICKER-DAYS-MEAN`, which add up to those of the farm, and `X-FRUITVISION-FORECAST`.
It names blocks: it is for the farm's own people, not for buyers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from math import ceil
from pathlib import Path
from uuid import NAMESPACE_URL, uuid5

from icalendar import Calendar, Event

from fruitvision.domain import Estimate, Forecast
from fruitvision.export.words import CAUTIONS, NOTE, save
from fruitvision.harvest import HarvestCalendar, Need, PassDay, PassPlan

PRODUCT = "-//fruitvision//harvest calendar//EN"
# SEQUENCE counts minutes from here. Our choice: it fits the 31 bits that programs keep for another
# 4,000 years.
_COUNTED_FROM = datetime(2020, 1, 1, tzinfo=UTC)
_FEW = 10


@dataclass(frozen=True, slots=True, order=True)
class PassName:
    """Which pass of which block and season (year of its first pick) an event is of."""

    block_id: str
    season: int
    number: int


def passes_named(forecast: Forecast) -> Mapping[PassName, date]:
    """The planned passes of a forecast and their days."""
    return {
        PassName(inputs.estimate.block.block_id, picks[0].pick_date.year, number): pick.pick_date
        for inputs in forecast.inputs
        for picks in [inputs.plan.picks]
        for number, pick in enumerate(picks, start=1)
    }


def passes_gone(
    calendar: HarvestCalendar, forecast: Forecast, earlier: Iterable[Forecast]
) -> Mapping[PassName, date]:
    """Passes of this season that were planned before and are not any longer.

    Parameters
    ----------
    forecast : Forecast
        What the calendar is made from. Finished passes are in its plan and not in the calendar of
        the rest: they are not gone. Blocks that are picked otherwise have the calendar's plan.
    earlier : iterable of Forecast
        Versions of before.
    """
    passes = {one.block_id: one.passes for one in calendar.passes}
    now = {name: passes[name] for name in calendar.moved if name in passes}
    planned = {
        name
        for name in passes_named(forecast)
        if name.number <= now.get(name.block_id, name.number)
    }
    seasons = {name.season for name in passes_named(forecast)}
    return {
        name: day
        for one in (*earlier, forecast)
        for name, day in passes_named(one).items()
        if name not in planned and name.season in seasons
    }


def write_harvest_ics(
    calendar: HarvestCalendar,
    path: Path,
    *,
    written_at: datetime,
    sequence: int,
    gone: Mapping[PassName, date] | None = None,
    is_frozen: bool,
) -> None:
    """Write the calendar.

    Parameters
    ----------
    written_at : datetime
        With a time zone.
    sequence : int
        Higher than in any file of the farm before.
    gone : mapping of PassName to date, optional
        Passes to cancel, and the days on which they were planned.
    is_frozen : bool
        Whether somebody froze the forecast; else its passes are tentative.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    content = harvest_ics(
        calendar, written_at=written_at, sequence=sequence, gone=gone or {}, is_frozen=is_frozen
    )
    save(path, content)


def sequence_at(moment: datetime) -> int:
    """SEQUENCE of the first file that is written in a minute, by the clock alone."""
    return max(0, int((moment.astimezone(UTC) - _COUNTED_FROM).total_seconds() // 60))


def harvest_ics(
    calendar: HarvestCalendar,
    *,
    written_at: datetime,
    sequence: int | None = None,
    gone: Mapping[PassName, date],
    is_frozen: bool = True,
) -> bytes:
    """The calendar as the content of a file; without `sequence` by the clock alone."""
    found = Calendar()
    found.add("prodid", PRODUCT)
    found.add("version", "2.0")
    found.add("calscale", "GREGORIAN")
    found.add("method", "PUBLISH")
    found.add("x-wr-calname", _plain(f"Harvest, {calendar.farm}"))
    found.add("x-wr-caldesc", _plain(_whole_words(calendar, is_frozen)))
    written = written_at.astimezone(UTC).replace(microsecond=0)
    number = sequence_at(written) if sequence is None else sequence
    seasons = _seasons(calendar.passes)
    for one in calendar.passes:
        name = PassName(one.block_id, seasons[one.block_id], one.number)
        event = _event(name, calendar.farm, one.first_day, one.last_day, written, number)
        days = [part for part in calendar.parts if _is_of(part, one)]
        event.add("summary", _plain(_summary(one)))
        event.add("description", _plain(_description(one, days, calendar, is_frozen)))
        event.add("status", "CONFIRMED" if is_frozen else "TENTATIVE")
        event.add("x-fruitvision-bins-mean", f"{one.need.mean_bins:.2f}")
        event.add("x-fruitvision-picker-days-mean", f"{one.need.mean_picker_days:.2f}")
        event.add("x-fruitvision-forecast", calendar.forecast_id)
        found.add_component(event)
    for name, day in sorted(gone.items()):
        event = _event(name, calendar.farm, day, day, written, number)
        event.add("summary", _plain(f"{name.block_id}, pass {name.number}: not planned any longer"))
        event.add("status", "CANCELLED")
        found.add_component(event)
    return bytes(found.to_ical())


def _seasons(passes: Iterable[PassPlan]) -> dict[str, int]:
    """Year of the first pass of each block."""
    first: dict[str, date] = {}
    for one in passes:
        first[one.block_id] = min(first.get(one.block_id, one.pick_date), one.pick_date)
    return {block_id: day.year for block_id, day in first.items()}


def _event(
    name: PassName, farm: str, first: date, last: date, written: datetime, number: int
) -> Event:
    event = Event()
    about = f"fruitvision harvest {farm} {name.season} {name.block_id} {name.number}"
    event.add("uid", f"{uuid5(NAMESPACE_URL, about)}@fruitvision")
    event.add("sequence", number)
    event.add("dtstamp", written)
    event.add("dtstart", first)
    # The day after the last one: RFC 5545, 3.6.1.
    event.add("dtend", last + timedelta(days=1))
    # Nobody is busy all day because fruit are picked.
    event.add("transp", "TRANSPARENT")
    return event


def _is_of(part: PassDay, one: PassPlan) -> bool:
    return (part.block_id, part.number) == (one.block_id, one.number)


def _summary(one: PassPlan) -> str:
    number = f", pass {one.number} of {one.passes}" if one.passes > 1 else ""
    return f"Pick {one.block_id}{number}: {_words(one.need.bins)} bins"


def _description(
    one: PassPlan, days: list[PassDay], calendar: HarvestCalendar, is_frozen: bool
) -> str:
    lines = [f"{one.variety}, P50 with P10–P90 in brackets.", *_need_lines(one.need)]
    if len(days) > 1:
        lines += [
            f"{part.day:%a} {part.day.day} {part.day:%b}: {_words(part.need.bins)} bins, "
            f"{_words(part.need.picker_days)} pickers"
            for part in days
        ]
    return "\n".join([*lines, "", _by_words(calendar, is_frozen), CAUTIONS[-1]])


def _by_words(calendar: HarvestCalendar, is_frozen: bool) -> str:
    frozen = "" if is_frozen else ", not frozen"
    return f"By forecast {calendar.forecast_id}{frozen}; {NOTE}."


def _need_lines(need: Need) -> list[str]:
    return [
        f"Bins: {_words(need.bins)}, place {ceil(need.bins_to_order)}.",
        f"Picker-days: {_words(need.picker_days)}, plan {ceil(need.pickers_planned)}.",
    ]


def _whole_words(calendar: HarvestCalendar, is_frozen: bool) -> str:
    words = _by_words(calendar, is_frozen)
    if calendar.total is not None:
        what = "Still to pick" if calendar.picked_bins else "Whole harvest"
        words = f"{what}: {_words(calendar.total.bins)} bins. {words}"
    if calendar.picked_bins:
        words += f" {calendar.picked_bins:,.0f} bins are picked, by tickets; this is the rest."
    if calendar.unknown:
        words += f" Bins not known, so not in it: {', '.join(calendar.unknown)}."
    return words


def _words(estimate: Estimate) -> str:
    digits = int(estimate.p90 < _FEW)
    low, mid, high = (
        f"{value:,.{digits}f}" for value in (estimate.p10, estimate.p50, estimate.p90)
    )
    return f"{mid} ({low}–{high})"


def _plain(text: str) -> str:
    """Without characters that text of a calendar can't hold: RFC 5545, 3.3.11."""
    return "".join(sign for sign in text if sign == "\n" or sign.isprintable())

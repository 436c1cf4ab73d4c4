"""Dates as people write them. What may be two days is asked once a file, never guessed."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from fruitvision.papers.words import months_called, plain

_ISO = re.compile(r"([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})")
_THREE = re.compile(r"([0-9]{1,2})[-/. ]([0-9]{1,2})[-/. ]([0-9]{4}|[0-9]{2})")
# A time of day behind a date.
_TIME = re.compile(
    r"[T ]+[0-9]{1,2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?( ?[ap]\.?m\.?)?Z?$", re.IGNORECASE
)
_WITH_MONTH = re.compile(
    r"([a-z]+ )?([0-9]{1,2})(st|nd|rd|th|er)?( de| of)? ([a-z]+)( de)? ([0-9]{4})"
)
_MONTH_FIRST = re.compile(r"([a-z]+) ([0-9]{1,2})(st|nd|rd|th)? ([0-9]{4})")
# Years of two digits are of this century. Our choice: no table here is older.
_CENTURY = 2000


class DayOrder(StrEnum):
    """Which of three numbers is the day, the month and the year."""

    DAY_FIRST = "day-month-year"
    MONTH_FIRST = "month-day-year"
    YEAR_FIRST = "year-month-day"


@dataclass(frozen=True, slots=True, kw_only=True)
class DayQuestion:
    """A date that may be read in several ways, and the day that each of them gives.

    `shown` : the date as written. `readings` : a day or None (there is no such day) by order, only
    of orders in which at least one date of the file is a day.
    """

    shown: str
    readings: tuple[tuple[DayOrder, date | None], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DayOrders:
    """How the dates of a file are read.

    `order` : None where no date needs one, or it must be asked. `proof` : a date that is a day in
    this order only. `question` : where the file does not tell.
    """

    order: DayOrder | None = None
    proof: str = ""
    question: DayQuestion | None = None


def sure_day(text: str) -> date | None:
    """The day in a text that can be read in one way only: `2026-08-12`, `12 Aug 2026`."""
    bare = _TIME.sub("", text.strip())
    found = _ISO.fullmatch(bare)
    if found:
        return _day(int(found[1]), int(found[2]), int(found[3]))
    words = plain(bare)
    with_month = _WITH_MONTH.fullmatch(words)
    if with_month:
        return _of_month(with_month[7], with_month[5], with_month[2])
    month_first = _MONTH_FIRST.fullmatch(words)
    if month_first:
        return _of_month(month_first[4], month_first[1], month_first[2])
    return None


def _of_month(year: str, month: str, day: str) -> date | None:
    number = months_called().get(month)
    return None if number is None else _day(int(year), number, int(day))


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def day_in(text: str, order: DayOrder) -> date | None:
    """The day in three numbers of this order; None if there is none."""
    found = _THREE.fullmatch(_TIME.sub("", text.strip()))
    if not found:
        return None
    first, second, last = found.groups()
    if order is DayOrder.YEAR_FIRST:
        return None if len(last) == 4 else _day(_CENTURY + int(first), int(second), int(last))
    year = int(last) if len(last) == 4 else _CENTURY + int(last)
    day, month = (first, second) if order is DayOrder.DAY_FIRST else (second, first)
    return _day(year, int(month), int(day))


def day_orders(texts: Iterable[str]) -> DayOrders:
    """In which order the dates of a file are, if it tells; a question if it does not."""
    three = [text for text in dict.fromkeys(texts) if _THREE.fullmatch(_TIME.sub("", text.strip()))]
    if not three:
        return DayOrders()
    fits = {order: [text for text in three if day_in(text, order)] for order in DayOrder}
    whole = [order for order, found in fits.items() if len(found) == len(three)]
    if len(whole) == 1:
        proof = next(
            (text for text in three if sum(day_in(text, one) is not None for one in DayOrder) == 1),
            three[0],
        )
        return DayOrders(order=whole[0], proof=proof)
    asked = whole or [order for order, found in fits.items() if found]
    for text in three:
        readings = tuple((order, day_in(text, order)) for order in asked)
        if len({day for _, day in readings}) > 1:
            return DayOrders(question=DayQuestion(shown=text, readings=readings))
    return DayOrders(order=asked[0] if asked else None)


def iso_day(text: str, order: DayOrder | None) -> str:
    """A date as year-month-day; what is none, or may be two, stays as it is written."""
    found = sure_day(text) or (day_in(text, order) if order else None)
    return found.isoformat() if found else text

"""The order book as sales types it, CSV or XLSX, one line an order::

    customer, variety, classes, week, cartons, [kind, grade, pack]

`classes` is a class of the size table, neighbouring ones ("80-100"), or "all"; `week` is 2026-W38
or a day of that week; `kind` is firm or option, firm where nothing is typed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, timedelta

from fruitvision.csv_file import CsvRow, Source
from fruitvision.domain import CropForecast, Forecast, OrderLine
from fruitvision.errors import FieldDataError, did_you_mean
from fruitvision.field_table import FieldTable, read_rows, refuse_repeats
from fruitvision.orders.classes import ALL_CLASSES, classes_meant
from fruitvision.units import parse_count, parse_date

# Weeks after the last one in which fruit come in, up to which an order is believed. Our choice: a
# year, by when the next crop is picked.
LATEST_WEEKS = 52

_KINDS = {"": True, "firm": True, "option": False}
_ISO_WEEK = re.compile(r"([0-9]{4})-?W([0-9]{1,2})", re.IGNORECASE)


def read_orders(path: Source) -> FieldTable[OrderLine]:
    """The lines of an order book, in its order.

    The same line twice counts once; lines that differ in their cartons only are refused, all of
    them.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path,
        _order,
        required=("customer", "variety", "classes", "week", "cartons"),
        optional=("kind", "grade", "pack"),
    )
    return refuse_repeats(
        table,
        key=lambda line: (
            line.customer.casefold(),
            line.variety,
            line.classes.casefold(),
            line.week,
            line.firm,
            line.grade.casefold(),
            line.pack.casefold(),
        ),
        name=lambda line: f"The order of {line.customer} for {line.classes} in {line.week}",
        fix="Add them up in one line.",
    )


def order_doubts(table: FieldTable[OrderLine], forecast: Forecast) -> Mapping[int, tuple[str, str]]:
    """Lines of a table that can't be meant by this forecast: what is wrong, and what to do.

    Classes must be in its size table; a week may not lie before fruit of the variety come in, nor a
    year after. Varieties that are not in the forecast are not looked at.
    """
    crops = {crop.variety: crop for crop in forecast.varieties}
    found: dict[int, tuple[str, str]] = {}
    for number, line in zip(table.lines, table.rows, strict=True):
        try:
            if forecast.table is not None:
                classes_meant(line.classes, forecast.table)
            if line.variety in crops:
                _refuse_other_weeks(line, crops[line.variety])
                _refuse_other_grades(line, crops[line.variety])
        except FieldDataError as err:
            found[number] = err.what, err.fix
    return found


def _refuse_other_weeks(line: OrderLine, crop: CropForecast) -> None:
    weeks = [row.week for row in crop.weeks]
    if not weeks:
        return
    if line.week < min(weeks):
        raise FieldDataError(
            f"The week of {line.week} lies before {min(weeks)}, the first week in which "
            f"{line.variety} comes in.",
            fix="Correct the week, or the pick dates of the blocks.",
        )
    if line.week > max(weeks) + timedelta(weeks=LATEST_WEEKS):
        raise FieldDataError(
            f"The week of {line.week} lies more than a year after the crop of {line.variety}.",
            fix="Correct the week.",
        )


def _refuse_other_grades(line: OrderLine, crop: CropForecast) -> None:
    grades = {row.grade for row in crop.grades}
    if line.grade and grades and line.grade not in grades:
        raise FieldDataError(
            f"{line.variety} has no grade '{line.grade}'.", fix=did_you_mean(line.grade, grades)
        )


def _order(row: CsvRow) -> OrderLine:
    text = row.text("kind")
    if text.casefold() not in _KINDS:
        raise FieldDataError(f"kind is '{text}'.", fix="Write firm or option.")
    classes = row.required_text("classes")
    return OrderLine(
        customer=_no_formula(row.required_text("customer"), "customer"),
        variety=row.required_text("variety"),
        classes=ALL_CLASSES if classes.casefold() == ALL_CLASSES else classes,
        week=parse_week(row.required_text("week")),
        cartons=parse_count(row.required_text("cartons"), field="cartons"),
        firm=_KINDS[text.casefold()],
        grade=row.text("grade"),
        pack=_no_formula(row.text("pack"), "pack"),
    )


def _no_formula(text: str, field: str) -> str:
    if text.startswith("="):
        raise FieldDataError(f"{field} is '{text}', a formula.", fix="Write the text itself.")
    return text


def parse_week(text: str) -> date:
    """The Monday of a week of ISO 8601 such as 2026-W38, or of a day's week.

    Raises
    ------
    FieldDataError
        If it is neither.
    """
    found = _ISO_WEEK.fullmatch(text.strip())
    if found is None:
        day = parse_date(text, field="week")
        return day - timedelta(days=day.weekday())
    try:
        return date.fromisocalendar(int(found[1]), int(found[2]), 1)
    except ValueError as err:
        raise FieldDataError(
            f"week is '{text}', a week that does not exist.", fix="Write it such as 2026-W38."
        ) from err

"""A long sales sheet: classes by weeks, with P50, the change and P10 to P90 in each cell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from reportlab.pdfgen.canvas import Canvas

from fruitvision.export.ink import (
    GREY,
    PALE,
    RUSSET,
    Type,
    box,
    put,
    range_bar,
    rule,
    upright,
    width_of,
    wrapped,
)
from fruitvision.export.sheet_layout import Page, amount, below_words, change, widest_cartons
from fruitvision.export.sheet_words import why_words
from fruitvision.forecast.summary import ALL
from fruitvision.sheet import SalesSheet, SheetLine

_NAME, _BAR = 54.0, 70.0
_WIDEST = 86.0
_HEAD, _WHY = 24.0, 30.0
_HIGHEST_ROW = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """Where the cells of a table stand: left ends and width of columns, height of rows."""

    columns: tuple[float, ...]
    width: float
    height: float
    bar: float


def draw_grid(
    canvas: Canvas,
    sides: tuple[float, float],
    between: tuple[float, float],
    sheet: SalesSheet,
    page: Page,
) -> float:
    """Draw the table between a top and the lowest it may reach; returns where it ends."""
    left, right = sides
    top, lowest = between
    weeks: tuple[date | None, ...] = (*page.weeks, None)
    width = min(_WIDEST, (right - left - _NAME - _BAR) / len(weeks))
    height = (top - lowest - _HEAD - _WHY) / (len(page.classes) + 1)
    grid = _Grid(
        columns=tuple(left + _NAME + width * number for number in range(len(weeks))),
        width=width,
        height=min(height, _HIGHEST_ROW),
        bar=left + _NAME + width * len(weeks) + 10,
    )
    _draw_heads(canvas, sides, top, weeks, grid)
    y = top - _HEAD + 10
    most = widest_cartons([sheet.line(None, name) for name in page.classes])
    for name in (*page.classes, ALL):
        y -= grid.height
        if name == ALL:
            box(canvas, (left, y), (right - left, grid.height), PALE)
        words = "All classes" if name == ALL else name
        middle = y + grid.height / 2
        put(canvas, (left + 3, middle - 3), words, Type(size=9, bold=True), room=_NAME - 6)
        for week, x in zip(weeks, grid.columns, strict=True):
            _draw_cell(canvas, x, middle, sheet, sheet.line(week, name), grid)
        if name != ALL:
            cartons = sheet.line(None, name).cartons
            range_bar(canvas, grid.bar, middle, right - 2 - grid.bar, cartons, most)
        rule(canvas, left, right, y)
    for x in (*grid.columns, grid.bar - 10):
        upright(canvas, x + 1, y, top - 13)
    return _draw_why(canvas, left, y, sheet, weeks, grid)


def _draw_heads(
    canvas: Canvas,
    sides: tuple[float, float],
    top: float,
    weeks: tuple[date | None, ...],
    grid: _Grid,
) -> None:
    left, right = sides
    small = Type(size=7, colour=GREY, align="right")
    put(canvas, (left + 3, top - 8), "Class", Type(size=7.5, bold=True, colour=GREY))
    for week, x in zip(weeks, grid.columns, strict=True):
        end = x + grid.width - 4
        head = "All weeks" if week is None else f"Week {week.isocalendar().week}"
        below = "" if week is None else f"Mon {week:%d %b}".replace(" 0", " ")
        put(canvas, (end, top), head, Type(size=8.5, bold=True, align="right"), room=grid.width - 6)
        put(canvas, (end, top - 9), below, small, room=grid.width - 6)
    head = "All weeks, P10 to P90"
    put(canvas, (grid.bar, top - 9), head, Type(size=7, colour=GREY), room=right - grid.bar)
    rule(canvas, left, right, top - 13, colour=RUSSET)


def _draw_cell(
    canvas: Canvas, x: float, middle: float, sheet: SalesSheet, line: SheetLine, grid: _Grid
) -> None:
    """P50 in bold with the change left of it, and `below_words` under them."""
    end, room = x + grid.width - 4, grid.width - 6
    bold = Type(size=9, bold=True, align="right")
    small = Type(size=7, align="right")
    words = amount(line.cartons.p50)
    put(canvas, (end, middle + 1.2), words, bold)
    if line.steps:
        at = end - width_of(words, bold) - 5, middle + 1.2
        left_of = room - width_of(words, bold) - 5
        put(canvas, at, change(line.change_cartons), replace(small, colour=RUSSET), room=left_of)
    put(canvas, (end, middle - 7.4), below_words(sheet, line), small, room=room)


def _draw_why(
    canvas: Canvas,
    left: float,
    top: float,
    sheet: SalesSheet,
    weeks: tuple[date | None, ...],
    grid: _Grid,
) -> float:
    """The main reasons of each week's change; where none is told the table ends here."""
    if not any(sheet.line(week).steps for week in weeks):
        return top
    put(canvas, (left + 3, top - 9), "Why it changed", Type(size=7, bold=True), room=_NAME - 4)
    for week, x in zip(weeks, grid.columns, strict=True):
        kind = Type(size=6.5, align="right")
        y = top - 9
        for reason in why_words(sheet.line(week).steps).split(", ")[:2]:
            for line in wrapped(reason, kind, grid.width - 6)[:2]:
                put(canvas, (x + grid.width - 4, y), line, kind, room=grid.width - 6)
                y -= 7
    return top - _WHY

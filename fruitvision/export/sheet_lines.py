"""A short sales sheet: a line for each class of each week, with its range drawn beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from reportlab.pdfgen.canvas import Canvas

from fruitvision.export.ink import (
    GREY,
    LINE,
    PALE,
    RUSSET,
    SAND,
    Type,
    box,
    put,
    range_bar,
    rule,
)
from fruitvision.export.sheet_layout import Page, amount, change, widest_cartons
from fruitvision.export.sheet_words import day_words, week_words, why_words
from fruitvision.forecast.summary import ALL
from fruitvision.sheet import SalesSheet, SheetLine

_NUMBER, _NAME = 40.0, 66.0
# Room of the bars beside reasons, and gap to what stands left of it.
_BAR, _GAP = 92.0, 14.0
# Lowest and highest line. Our choice: as high as there is room for, so that a short sheet is read
# from afar and a long one fits.
_LOW, _HIGH = 13.0, 22.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Column:
    """Head, and the right end of its numbers."""

    head: str
    right: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """Height of lines, size of type, ends of the bars and of the table, first head."""

    row: float
    size: float
    bar: tuple[float, float]
    sides: tuple[float, float]
    first_head: str


def draw_lines(
    canvas: Canvas,
    sides: tuple[float, float],
    between: tuple[float, float],
    sheet: SalesSheet,
    page: Page,
) -> float:
    """Draw the lines between a top and the lowest they may reach; returns where they end."""
    top, lowest = between
    columns = _columns(sides[0], sheet)
    blocks: list[date | None] = [*page.weeks, *([None] if len(page.weeks) != 1 else [])]
    lines = len(blocks) * (len(page.classes) + 2 if page.classes else 1)
    row = min(_HIGH, max(_LOW, (top - lowest) / max(lines, 1)))
    start = columns[-1].right + _GAP
    with_why = columns[-1].head == "Change"
    end = start + _BAR if with_why or not page.classes else sides[1] - 4
    first = "Class" if page.classes else "Week"
    size = min(9.5, 7.5 + row / 10)
    look = _Look(row=row, size=size, bar=(start, end), sides=sides, first_head=first)
    y = _draw_heads(canvas, top, columns, look)
    if not page.classes:
        most = widest_cartons([sheet.line(week) for week in page.weeks])
        for week in blocks:
            name = "All weeks" if week is None else f"{week_words(week)}, {week:%d %b}"
            bar = 0.0 if week is None else most
            y = _draw_line(canvas, y, (name, sheet.line(week)), columns, look, bar)
        return y
    most = widest_cartons([sheet.line(week, name) for week in page.weeks for name in page.classes])
    for week in blocks:
        if week is None:
            most = widest_cartons([sheet.line(None, name) for name in page.classes])
        y = _draw_head(canvas, y, _head_of(week), look)
        for name in page.classes:
            y = _draw_line(canvas, y, (name, sheet.line(week, name)), columns, look, most)
        y = _draw_line(canvas, y, ("All classes", sheet.line(week, ALL)), columns, look, 0.0)
    return y


def _head_of(week: date | None) -> str:
    if week is None:
        return "All weeks"
    return f"Week {week_words(week)}, from Monday {day_words(week)}"


def _columns(left: float, sheet: SalesSheet) -> list[_Column]:
    quantile = sheet.promise_quantile
    safe = [] if quantile is None else [f"Safe, P{100 * quantile:.3g}"]
    heads = [*safe, "P10", "P50", "P90", "Mean"]
    if sheet.earlier is not None and not sheet.no_change:
        heads.append("Change")
    return [
        _Column(head=head, right=left + _NAME + _NUMBER * number)
        for number, head in enumerate(heads, start=1)
    ]


def _draw_heads(canvas: Canvas, top: float, columns: list[_Column], look: _Look) -> float:
    left, right = look.sides
    kind = Type(size=8, bold=True, colour=GREY)
    put(canvas, (left + 4, top), look.first_head, kind)
    for column in columns:
        at = column.right, top
        put(canvas, at, column.head, replace(kind, align="right"), room=_NUMBER + 4)
    put(canvas, (look.bar[0], top), "P10 to P90, tick P50", kind, room=_BAR)
    if columns[-1].head == "Change":
        put(canvas, (look.bar[1] + 10, top), "Why it changed", kind)
    rule(canvas, left, right, top - 4, colour=RUSSET)
    return top - 4


def _draw_head(canvas: Canvas, top: float, words: str, look: _Look) -> float:
    """The head of a week, in a line of its own."""
    left, right = look.sides
    y = top - look.row
    box(canvas, (left, y), (right - left, look.row), PALE)
    kind = Type(size=look.size, bold=True, colour=RUSSET)
    put(canvas, (left + 4, y + look.row / 2 - 3), words, kind)
    return y


def _draw_line(
    canvas: Canvas,
    top: float,
    named: tuple[str, SheetLine],
    columns: list[_Column],
    look: _Look,
    most: float,
) -> float:
    """A line of the table; its bar on an axis up to `most`, none if that is 0."""
    (left, right), (name, line) = look.sides, named
    end = top - look.row
    y = end + look.row / 2 - 3
    bold = name[:4] == "All "
    put(canvas, (left + 4, y), name, Type(size=look.size, bold=bold), room=_NAME)
    for column in columns:
        strong = bold or column.head == "P50"
        kind = Type(size=look.size, bold=strong, align="right")
        put(canvas, (column.right, y), _number(column.head, line), kind, room=_NUMBER - 3)
    start, stop = look.bar
    if most > 0:
        range_bar(canvas, start, y + 3, stop - start, line.cartons, most)
    if columns[-1].head == "Change":
        room = right - stop - 10
        put(canvas, (stop + 10, y), why_words(line.steps), Type(size=7.5), room=room)
    rule(canvas, left, right, end, colour=SAND if bold else LINE)
    return end


def _number(head: str, line: SheetLine) -> str:
    cartons = line.cartons
    if head == "Change":
        return change(line.change_cartons)
    if head.startswith("Safe"):
        return amount(line.safe_cartons)
    ranges = {"P10": cartons.p10, "P50": cartons.p50, "P90": cartons.p90}
    return amount(ranges.get(head, line.mean_cartons))

"""The calendar of the harvest on one page, to hang up: a line a day, or a week where days are many.

It names blocks: it is for the farm's own people, not for buyers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from io import BytesIO
from math import ceil
from pathlib import Path

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from fruitvision.domain import Estimate, Forecast, FrozenForecast
from fruitvision.errors import SettingsError, did_you_mean
from fruitvision.export.words import CAUTIONS, HOW_TO_READ, NOTE, save
from fruitvision.harvest import HarvestCalendar, HarvestDay
from fruitvision.printed_letters import printable

PAPERS = {"A4": A4, "Letter": LETTER}
# Most lines of one page. Our choice: they can still be read from a step away.
MOST_LINES = 46
_MARGIN_MM, _TOP_MM = 13.0, 38.0
# Highest line, mm, and its letters as a share of it.
_LINE_MM, _LETTERS = 7.0, 0.56
# Columns: head, and right edge in mm from the left margin; the first two start at their left edge.
_DAY_MM, _BLOCKS_MM, _BLOCKS_END_MM = 0.0, 26.0, 84.0
_HEADS = (
    ("bins", 109.0),
    ("place", 120.0),
    ("pickers", 144.0),
    ("plan", 154.0),
    ("pickers", 166.0),
    ("bins", 175.0),
    ("rooms", 184.0),
)
# Notes at the bottom: their lowest line, the step between lines, their letters.
_FOOT_MM, _NOTE_MM, _NOTE_POINTS = 10.0, 3.4, 7.5
_FEW = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A line as it is printed."""

    when: str
    where: tuple[str, ...]
    cells: tuple[str, ...]
    short: bool = False


def write_harvest_pdf(
    calendar: HarvestCalendar, path: Path, *, written_on: date, version: str, paper: str = "A4"
) -> None:
    """Write the calendar as a page.

    Parameters
    ----------
    version : str
        Words that say which version it is, and whether it is frozen.

    Raises
    ------
    SettingsError
        If the paper is unknown.
    StoreError
        If the file can't be written.
    """
    if paper not in PAPERS:
        raise SettingsError(f"Unknown paper '{paper}'.", fix=did_you_mean(paper, PAPERS))
    sheet = BytesIO()
    canvas = Canvas(sheet, pagesize=PAPERS[paper], invariant=1)
    canvas.setTitle(f"Harvest calendar, {calendar.farm}")
    canvas.setCreator("fruitvision")
    _draw(canvas, PAPERS[paper], calendar, f"{version}, printed {written_on}")
    canvas.save()
    save(path, sheet.getvalue())


def printed_version(forecast: Forecast, frozen: FrozenForecast | None) -> str:
    """Which version the page is of, and who froze it."""
    words = f"Forecast {forecast.forecast_id} of {forecast.made_on}"
    if frozen is None:
        return f"{words}, not frozen"
    return f"{words}, frozen by {frozen.frozen_by} on {frozen.frozen_at:%Y-%m-%d}"


def _draw(
    canvas: Canvas, size: tuple[float, float], calendar: HarvestCalendar, version: str
) -> None:
    width, height = size
    left = _MARGIN_MM * mm
    # Columns are set for A4; the wider Letter page keeps them.
    _text(canvas, left, height - 16 * mm, f"Harvest calendar, {calendar.farm}", 17, bold=True)
    _text(canvas, left, height - 22 * mm, version, 9)
    unit = "Bins and pickers a day" if _by_day(calendar) else "Bins and picker-days a week"
    lead = f"{unit}: P50, with P10–P90 in brackets; place: bins to bring; plan: pickers to call."
    _text(canvas, left, height - 27 * mm, lead, 9)
    lines = [*_lines(calendar), *_total(calendar)]
    notes = _notes(calendar, width - 2 * left)
    bottom_mm = _FOOT_MM + _NOTE_MM * (len(notes) + 1)
    room = height - (_TOP_MM + bottom_mm) * mm
    step = min(_LINE_MM * mm, room / max(len(lines), 1))
    points = min(step * _LETTERS, 10.5)
    _text(canvas, left + _HEADS[-1][1] * mm, height - 31 * mm, "short at P90", 8, right=True)
    for head, right in _HEADS:
        _text(canvas, left + right * mm, height - 35 * mm, head, 8, right=True)
    for number, line in enumerate(lines):
        base = height - _TOP_MM * mm - (number + 0.7) * step
        _draw_line(canvas, left, base, line, points, bold=line.short or number == len(lines) - 1)
        canvas.setLineWidth(0.3)
        canvas.line(left, base - 0.3 * step, width - left, base - 0.3 * step)
    _foot(canvas, left, notes)


def _draw_line(
    canvas: Canvas, left: float, base: float, line: _Line, points: float, *, bold: bool
) -> None:
    _text(canvas, left + _DAY_MM * mm, base, line.when, points, bold=bold)
    room = (_BLOCKS_END_MM - _BLOCKS_MM) * mm
    _text(canvas, left + _BLOCKS_MM * mm, base, _fitting(line.where, room, points), points)
    for (_, right), cell in zip(_HEADS, line.cells, strict=True):
        _text(canvas, left + right * mm, base, cell, points, bold=bold, right=True)


def _foot(canvas: Canvas, left: float, rows: Sequence[str]) -> None:
    """Lines from the bottom of the page up."""
    for number, row in enumerate(reversed(rows)):
        _text(canvas, left, (_FOOT_MM + _NOTE_MM * number) * mm, row, _NOTE_POINTS)


def _notes(calendar: HarvestCalendar, room: float) -> list[str]:
    """What stands below the table, in lines."""
    notes = [
        *_remarks(calendar),
        f"{NOTE[0].upper()}{NOTE[1:]}. {HOW_TO_READ}",
        f"{CAUTIONS[-1]} {CAUTIONS[2]}",
    ]
    return [row for note in notes for row in _wrapped(note, room, _NOTE_POINTS)]


def _remarks(calendar: HarvestCalendar) -> list[str]:
    """What the numbers don't say by themselves."""
    found = []
    if calendar.picked_bins:
        picked = f"{calendar.picked_bins:,.1f} bins are picked, by tickets; this is the rest."
        found.append(picked)
    if calendar.moved:
        found.append(f"By other passes than the forecast's: {', '.join(calendar.moved)}.")
    if calendar.unknown:
        found.append(f"Bins not known, so not in it: {', '.join(calendar.unknown)}.")
    return found


def _wrapped(text: str, room: float, points: float) -> list[str]:
    rows = [""]
    for word in text.split():
        longer = f"{rows[-1]} {word}".strip()
        if stringWidth(printable(longer), "Helvetica", points) <= room:
            rows[-1] = longer
        else:
            rows.append(word)
    return rows


def _text(
    canvas: Canvas,
    x: float,
    y: float,
    text: str,
    points: float,
    *,
    bold: bool = False,
    right: bool = False,
) -> None:
    canvas.setFont("Helvetica-Bold" if bold else "Helvetica", points)
    (canvas.drawRightString if right else canvas.drawString)(x, y, printable(text))


def _fitting(names: Sequence[str], room: float, points: float) -> str:
    """As many names as there is room for, and how many more there are."""
    for shown in range(len(names), 0, -1):
        more = f" + {len(names) - shown}" if shown < len(names) else ""
        text = ", ".join(names[:shown]) + more
        if stringWidth(printable(text), "Helvetica", points) <= room:
            return text
    first = names[0] if names else ""
    while first and stringWidth(printable(f"{first}…"), "Helvetica", points) > room:
        first = first[:-1]
    return f"{first}…" if first else ""


# ---------------------------------------------------------------- what stands in the lines


def _by_day(calendar: HarvestCalendar) -> bool:
    return len(calendar.days) < MOST_LINES


def _lines(calendar: HarvestCalendar) -> list[_Line]:
    passes = {one.block_id: one.passes for one in calendar.passes}
    names: dict[date, list[str]] = {}
    for part in calendar.parts:
        number = f" {part.number}/{passes[part.block_id]}" if passes[part.block_id] > 1 else ""
        names.setdefault(part.day, []).append(part.block_id + number)
    if _by_day(calendar):
        return [_day_line(one, tuple(names[one.day])) for one in calendar.days]
    weeks: dict[date, list[HarvestDay]] = {}
    for one in calendar.days:
        weeks.setdefault(one.day - timedelta(days=one.day.weekday()), []).append(one)
    return [_week_line(monday, days, names) for monday, days in weeks.items()]


def _day_line(one: HarvestDay, where: tuple[str, ...]) -> _Line:
    need = one.need
    short = one.pickers_short, one.bins_short, one.rooms_over
    return _Line(
        when=f"{one.day:%a} {one.day.day} {one.day:%b}",
        where=where,
        cells=(
            _words(need.bins),
            f"{ceil(need.bins_to_order):,}",
            _words(need.picker_days),
            f"{ceil(need.pickers_planned):,}",
            *(f"{one:,}" if one else "" for one in short),
        ),
        short=any(short),
    )


def _week_line(monday: date, days: list[HarvestDay], names: dict[date, list[str]]) -> _Line:
    """Means of a week: ranges of its days don't add up."""
    where = dict.fromkeys(name for one in days for name in names[one.day])
    short = sum(1 for one in days if one.pickers_short or one.bins_short or one.rooms_over)
    return _Line(
        when=f"{monday.isocalendar()[0]}-W{monday.isocalendar()[1]:02d}",
        where=tuple(where),
        cells=(
            f"mean {sum(one.need.mean_bins for one in days):,.0f}",
            "",
            f"mean {sum(one.need.mean_picker_days for one in days):,.0f}",
            "",
            "",
            "",
            f"{short} day{'' if short == 1 else 's'}" if short else "",
        ),
        short=short > 0,
    )


def _total(calendar: HarvestCalendar) -> list[_Line]:
    if calendar.total is None:
        return []
    need = calendar.total
    return [
        _Line(
            when="All",
            where=(f"mean {need.mean_bins:,.1f} bins; picker-days",),
            cells=(
                _words(need.bins),
                "",
                _words(need.picker_days),
                "",
                "",
                "",
                "",
            ),
        )
    ]


def _words(estimate: Estimate) -> str:
    digits = int(estimate.p90 < _FEW)
    low, mid, high = (
        f"{value:,.{digits}f}" for value in (estimate.p10, estimate.p50, estimate.p90)
    )
    return f"{mid} ({low}–{high})"

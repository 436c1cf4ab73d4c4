"""A sales sheet as one page to send: what matters in large type, the table, how to read it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO
from pathlib import Path

from reportlab.lib.pagesizes import A4, LETTER, landscape
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from fruitvision.domain import Estimate
from fruitvision.export.ink import (
    GREY,
    PALE,
    RUSSET,
    WHITE,
    Type,
    box,
    put,
    rule,
    width_of,
    wrapped,
)
from fruitvision.export.sheet_grid import draw_grid
from fruitvision.export.sheet_layout import P10, Page, amount, page_of
from fruitvision.export.sheet_lines import draw_lines
from fruitvision.export.sheet_words import (
    HOW_SAFE,
    HOW_SUMS,
    NOT_FINAL,
    NOT_FROZEN,
    carton_words,
    change_words,
    day_words,
    left_out_words,
    moved_words,
    no_promise_words,
    stage_words,
    title_of,
    track_words,
    version_words,
)
from fruitvision.export.words import CAUTIONS, HOW_TO_READ, NOTE, save
from fruitvision.forecast.summary import ALL
from fruitvision.sheet import SalesSheet
from fruitvision.sheet.stage import PICKED
from fruitvision.unit_system import METRIC, Units

PAPERS = {"A4": A4, "Letter": LETTER}
# Printers leave up to 6 mm at the edge blank; our choice is twice that.
_MARGIN = 13 * mm
# Heights of the head with its facts, and of the last line, points.
_HEAD, _FOOT = 118.0, 14.0
_NOTE, _NOTE_HEAD = Type(size=7.5), 62.0
_NOTE_LEADING = 9.6
# Lines of notes that a table makes room for, one of lines and one of cells. Our choice: what must
# be said fits in them.
_MOST_NOTES = {True: 10, False: 8}


def write_sheet_pdf(
    sheet: SalesSheet, path: Path, units: Units = METRIC, *, paper: str = "A4"
) -> None:
    """Write a sheet as a PDF of one page, A4 or Letter; the same sheet gives the same file.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    page = page_of(sheet)
    size = landscape(PAPERS[paper]) if page.wide else PAPERS[paper]
    content = BytesIO()
    # Invariant: no clock and no random id in the file, same in same out.
    canvas = Canvas(content, pagesize=size, invariant=1)
    canvas.setTitle(f"{title_of(sheet)}, {NOTE}")
    canvas.setSubject(NOTE)
    # Said to be nobody's: the file goes to people who are not to know more than the page says.
    canvas.setAuthor("")
    canvas.setCreator("fruitvision")
    canvas.setProducer("fruitvision")
    _draw(canvas, size, sheet, page, units)
    canvas.showPage()
    canvas.save()
    save(path, content.getvalue())


def _draw(
    canvas: Canvas, size: tuple[float, float], sheet: SalesSheet, page: Page, units: Units
) -> None:
    sides = left, right = _MARGIN, size[0] - _MARGIN
    top, bottom = size[1] - _MARGIN, _MARGIN
    _draw_head(canvas, sides, top, sheet)
    _draw_facts(canvas, sides, top - 62, sheet, units)
    notes = _note_lines(_notes(sheet, page), right - left)
    least = bottom + _FOOT
    for_notes = min(len(notes), _MOST_NOTES[page.as_lines]) * _NOTE_LEADING + 14
    draw_table = draw_lines if page.as_lines else draw_grid
    end = draw_table(canvas, sides, (top - _HEAD, least + for_notes), sheet, page)
    _draw_notes(canvas, sides, (end - 16, least + 4), notes)
    rule(canvas, left, right, bottom + 9)
    version = version_words(sheet.version, for_buyer=sheet.for_buyer)
    words = f"{version}. {NOTE[0].upper()}{NOTE[1:]}."
    put(canvas, (left, bottom), words, Type(size=7, colour=GREY), room=right - left)


def _draw_head(canvas: Canvas, sides: tuple[float, float], top: float, sheet: SalesSheet) -> None:
    """Variety and seller, what the page is, and loudly whether it is frozen."""
    left, right = sides
    middle = left + 0.6 * (right - left)
    put(canvas, (left, top - 18), sheet.variety, Type(size=24, bold=True), room=middle - left - 8)
    put(
        canvas,
        (right, top - 12),
        sheet.farm,
        Type(size=12, bold=True, align="right"),
        room=right - middle,
    )
    made = f"Forecast of {day_words(sheet.version.made_on)}"
    by = sheet.version.frozen_by
    author = f"{made}, given out by {by}" if by else made
    put(
        canvas,
        (right, top - 25),
        author,
        Type(size=9, colour=GREY, align="right"),
        room=right - middle,
    )
    put(canvas, (left, top - 33), "Sales sheet", Type(size=11, colour=RUSSET))
    x = left + width_of("Sales sheet", Type(size=11)) + 10
    marks = [NOTE.upper()]
    if sheet.version.frozen_at is None:
        marks.append(NOT_FINAL if sheet.for_buyer else NOT_FROZEN)
    for words in marks:
        kind = Type(size=8, bold=True, colour=WHITE)
        width = width_of(words, kind) + 12
        box(canvas, (x, top - 37), (width, 13), RUSSET, round_=3)
        put(canvas, (x + 6, top - 33.3), words, kind)
        x += width + 6
    rule(canvas, left, right, top - 45)


def _draw_facts(
    canvas: Canvas, sides: tuple[float, float], top: float, sheet: SalesSheet, units: Units
) -> None:
    """What matters, side by side: a heading, large type, a line below it."""
    left, right = sides
    facts = _facts(sheet, units)
    gap = 8.0
    width = (right - left - gap * (len(facts) - 1)) / len(facts)
    for number, (head, words, below) in enumerate(facts):
        x = left + number * (width + gap)
        box(canvas, (x, top - 44), (width, 54), PALE, round_=4)
        put(canvas, (x + 7, top - 2), head, Type(size=7.5, colour=GREY), room=width - 14)
        put(canvas, (x + 7, top - 21), words, Type(size=16, bold=True), room=width - 14)
        put(canvas, (x + 7, top - 36), below, Type(size=7.5, colour=GREY), room=width - 14)


def _facts(sheet: SalesSheet, units: Units) -> list[tuple[str, str, str]]:
    cartons = sheet.whole.cartons
    facts = [
        (
            f"All weeks, {carton_words(sheet, units)}",
            amount(cartons.p50),
            f"P10 to P90: {amount(cartons.p10)} to {amount(cartons.p90)}",
        )
    ]
    if sheet.promise_quantile is not None:
        safe = sheet.whole.safe_cartons
        chance = f"less comes in with a chance of {100 * sheet.promise_quantile:.3g} %"
        facts.append(
            ("Safe to promise", "nothing", _why_nothing(sheet))
            if safe is None
            else ("Safe to promise", amount(safe), chance)
        )
    stage, _, days = stage_words(sheet).partition(" (")
    facts.append(
        (
            "Stage on the day of the forecast",
            stage,
            f"pick {days.removesuffix(')')}" if days else "",
        )
    )
    record = sheet.track_record
    facts.append(
        ("Track record", track_words(sheet), "")
        if record is None
        else (
            "Track record: inside P10 to P90",
            f"{record.inside} of {record.of}",
            f"told {record.stage}",
        )
    )
    return facts


def _why_nothing(sheet: SalesSheet) -> str:
    if sheet.first_look:
        return "a first look: too few trees"
    return "it is picked" if sheet.stage == PICKED else "the pick date is past: set it anew"


def _notes(sheet: SalesSheet, page: Page) -> list[tuple[str, str]]:
    """What is said below the table, the most needed first: heading and sentences."""
    quantile = sheet.promise_quantile
    safe = (
        ""
        if quantile is None
        else f"P{100 * quantile:.3g}, rounded down to whole cartons. {HOW_SAFE}"
    )
    cells = "" if page.as_lines else f"{_in_each_cell(sheet)} "
    grades = [one for one in sheet.grades if one.size_class == ALL]
    notes = [
        ("No promise", no_promise_words(sheet)),
        ("Not in it", left_out_words(sheet)),
        ("Pick moved", moved_words(sheet)),
        ("How to read", f"{cells}{HOW_TO_READ} {HOW_SUMS}"),
        ("Change", _ended(change_words(sheet))),
        ("Not an offer", " ".join(CAUTIONS[:2])),
        ("Workbook only", page.left_out),
        ("Safe", safe),
        ("Grades", ", ".join(f"{one.grade} {_ranged(one.cartons)}" for one in grades)),
        ("Size table", sheet.size_table),
        ("Rests on", sheet.rests_on.removeprefix("Rests on ")),
        ("Doubts", " ".join(doubt.words for doubt in sheet.doubts)),
    ]
    return [(head, words) for head, words in notes if words]


def _in_each_cell(sheet: SalesSheet) -> str:
    quantile = sheet.promise_quantile
    safe = "" if quantile in (None, P10) else "what is safe and "
    moved = "" if sheet.no_change else ", the change of the mean before it"
    return f"In each cell: P50 in bold{moved}, {safe}P10 to P90 below."


def _ranged(cartons: Estimate) -> str:
    return f"{amount(cartons.p50)} ({amount(cartons.p10)}–{amount(cartons.p90)})"


def _ended(words: str) -> str:
    return f"{words}." if words and not words.endswith(".") else words


def _note_lines(notes: Sequence[tuple[str, str]], room: float) -> list[tuple[str, str]]:
    """Notes in lines of the page: a heading where one begins, and words."""
    found: list[tuple[str, str]] = []
    for head, words in notes:
        lines = wrapped(words, _NOTE, room - _NOTE_HEAD)
        found += [(head if number == 0 else "", line) for number, line in enumerate(lines)]
    return found


def _draw_notes(
    canvas: Canvas,
    sides: tuple[float, float],
    between: tuple[float, float],
    lines: Sequence[tuple[str, str]],
) -> None:
    """As many lines as there is room for; that there are more is said in the last one."""
    left, _ = sides
    y, end = between
    room = max(0, int((y - end) / _NOTE_LEADING) + 1)
    shown = list(lines[:room])
    if len(lines) > room > 0:
        shown[-1] = ("More", "What else is to be known stands in the workbook, on its last sheet.")
    for head, words in shown:
        put(canvas, (left, y), head, replace(_NOTE, bold=True), room=_NOTE_HEAD - 4)
        put(canvas, (left + _NOTE_HEAD, y), words, _NOTE)
        y -= _NOTE_LEADING

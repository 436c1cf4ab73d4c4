"""The sheet to print: a square marker, a ruler to check the print, and how to hang it."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from fruitvision.errors import SettingsError, did_you_mean
from fruitvision.marker_search import DICTIONARY
from fruitvision.printed_ruler import INK, draw_ruler, put_text
from fruitvision.reference import SHEET_NUMBER
from fruitvision.settings import RULER_MM
from fruitvision.units import MM_PER_INCH
from fruitvision.whole_file import write_asked_for

PAPERS = {"A4": A4, "Letter": LETTER}

# Printers leave up to 6 mm at the edge blank; our choice is twice that.
MARGIN_MM = 12.0
# Sides that the sheet has room for, mm. Our choice.
LEAST_SIDE_MM, MOST_SIDE_MM = 50.0, 150.0
# Cells across a 36h11 tag, its black border counted. The white around it must be 1 cell at least.
_CELLS = 8

# How to hang it. One word each, and why.
HANGING = (
    ("Flat", "On a stiff board: a bend", "or a fold changes its size."),
    ("Whole", "No leaf, twig or hand over it,", "all of it in the photo."),
    ("Facing", "Turned to the camera,", "well under 35° off."),
    ("Fruit-deep", "As far away as the fruit,", "not before or behind them."),
    ("Shaded", "No patch of sun on it,", "no shine."),
    ("Dry", "Wet paper swells and curls:", "print it again."),
)
_CAUTION = (
    "Hang it from the ground. Mind tractors, platforms and ladders, and keep out of blocks "
    "closed after spraying."
)

_MEASURE = (
    f"Measure this line with a steel rule. If it is not {RULER_MM:.0f} mm "
    f"({RULER_MM / MM_PER_INCH:.3f} in), give what you read as ruler length."
)

_GREY, _RULE = 0.35, 0.75


def draw_marker_sheet(
    path: Path, *, paper: str = "A4", marker_id: int = SHEET_NUMBER, side_mm: float = 150.0
) -> None:
    """Write the sheet as a PDF of one page, in vectors, to be printed at 100 %.

    Parameters
    ----------
    path : Path
        PDF file to write; it appears whole or not at all.
    paper : str
        'A4' or 'Letter'.
    marker_id : int
        Which of the 587 markers of the family, 0 to 586.
    side_mm : float
        Side of the black square, mm, 50 to 150.

    Raises
    ------
    SettingsError
        If the paper is unknown, or the id or the side is out of range.
    StoreError
        If the file can't be written.
    """
    if paper not in PAPERS:
        raise SettingsError(f"Unknown paper '{paper}'.", fix=did_you_mean(paper, PAPERS))
    if not LEAST_SIDE_MM <= side_mm <= MOST_SIDE_MM:
        raise SettingsError(
            f"A marker of {side_mm} mm does not fit the sheet.",
            fix=f"Give a side from {LEAST_SIDE_MM:.0f} to {MOST_SIDE_MM:.0f} mm.",
        )
    white = _white_cells(marker_id)
    page = BytesIO()
    # Invariant: no clock and no random id in the file, same in same out.
    canvas = Canvas(page, pagesize=PAPERS[paper], invariant=1)
    canvas.setTitle(f"fruitvision marker {marker_id}, {side_mm:g} mm, {paper}")
    canvas.setCreator("fruitvision")
    # Keeps print dialogs that heed it from shrinking the page.
    canvas.setViewerPreference("PrintScaling", "None")
    _draw_page(canvas, PAPERS[paper], white, f"Marker {marker_id}  ·  side {side_mm:g} mm", side_mm)
    canvas.showPage()
    canvas.save()
    write_asked_for(path, page.getvalue())


def _white_cells(marker_id: int) -> NDArray[np.bool_]:
    """(8, 8) bool, True where white, first row on top."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    known = int(dictionary.bytesList.shape[0])
    if not 0 <= marker_id < known:
        raise SettingsError(f"There is no marker {marker_id}.", fix=f"Give 0 to {known - 1}.")
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, marker_id, _CELLS)) > 127


def _draw_page(
    canvas: Canvas,
    size: tuple[float, float],
    white: NDArray[np.bool_],
    name: str,
    side_mm: float,
) -> None:
    """Top to bottom: head line, marker, ruler, how to hang it, caution."""
    width, height = size
    left = (width - RULER_MM * mm) / 2
    right = left + RULER_MM * mm
    # The taller sheet gets more air between its parts.
    air = (height - LETTER[1]) / 4
    top = height - MARGIN_MM * mm - 9
    put_text(canvas, (left, top), name, bold=True, size=11)
    put_text(
        canvas,
        (right, top),
        "Print at 100 %, never “fit to page”",
        bold=True,
        size=11,
        align="right",
    )
    middle = top - air - (4 + MOST_SIDE_MM / _CELLS + MOST_SIDE_MM / 2) * mm
    _draw_marker(canvas, width / 2, middle, white, side_mm)
    ruler = middle - (MOST_SIDE_MM / 2 + MOST_SIDE_MM / _CELLS + 5) * mm - air
    draw_ruler(canvas, left, ruler, words=_MEASURE)
    _draw_hanging(canvas, left, ruler - 23 * mm - air)
    put_text(
        canvas, (width / 2, MARGIN_MM * mm + 3), _CAUTION, size=7.5, grey=_GREY, align="centre"
    )


def _draw_marker(
    canvas: Canvas, x: float, y: float, white: NDArray[np.bool_], side_mm: float
) -> None:
    """Black square around (x, y) with the white cells as one path, so that no seams show."""
    side = side_mm * mm
    cell = side / _CELLS
    canvas.setFillGray(INK)
    canvas.rect(x - side / 2, y - side / 2, side, side, stroke=0, fill=1)
    cells = canvas.beginPath()
    for row, column in np.argwhere(white):
        cells.rect(
            x - side / 2 + float(column) * cell,
            y + side / 2 - float(row + 1) * cell,
            cell,
            cell,
        )
    canvas.setFillGray(1)
    canvas.drawPath(cells, stroke=0, fill=1)


def _draw_hanging(canvas: Canvas, left: float, top: float) -> None:
    """The six words in two rows of three."""
    canvas.setStrokeGray(_RULE)
    canvas.line(left, top + 6 * mm, left + RULER_MM * mm, top + 6 * mm)
    for number, (word, *lines) in enumerate(HANGING):
        x = left + number % 3 * RULER_MM / 3 * mm
        y = top - number // 3 * 15 * mm
        put_text(canvas, (x, y), f"{word}.", bold=True, size=12)
        for line_number, line in enumerate(lines, start=1):
            put_text(canvas, (x, y - line_number * 3.6 * mm), line, size=8, grey=_GREY)

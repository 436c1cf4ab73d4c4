"""The board as a sheet to print: with a ruler to check the print, and how to photograph it."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
from reportlab.lib.pagesizes import A3, A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from fruitvision.errors import SettingsError, did_you_mean
from fruitvision.lens.board import (
    COLUMNS,
    MARKER_CELLS,
    MARKER_SHARE,
    ROWS,
    black_squares,
    marker_cells,
    marker_places,
)
from fruitvision.printed_ruler import INK, draw_ruler, put_text
from fruitvision.settings import RULER_MM
from fruitvision.whole_file import write_asked_for

# Paper and the side of a square that fills it, mm. A3 is better: photographed from farther away,
# where the lens is focused more as in the orchard.
PAPERS = {"A4": (A4, 25.0), "Letter": (LETTER, 25.0), "A3": (A3, 37.0)}
# Printers leave up to 6 mm at the edge blank; a little more than that.
MARGIN_MM = 8.0
_HOW = (
    "Glue it flat on glass or a stiff board. Take 12 photos or more from about half a metre, with "
    "the camera app that",
    "you walk with, zoom at 1: the board in the middle and in each corner of the picture, tilted "
    "by 30° to each side in turn.",
)


def draw_board_sheet(path: Path, *, paper: str = "A4") -> float:
    """Write the board as a PDF of one page, in vectors, to be printed at 100 %.

    Parameters
    ----------
    path : Path
        PDF file to write; it appears whole or not at all.
    paper : str
        'A4', 'Letter' or 'A3'.

    Returns
    -------
    float
        Side of a square when printed at 100 %, mm.

    Raises
    ------
    SettingsError
        If the paper is unknown.
    StoreError
        If the file can't be written.
    """
    if paper not in PAPERS:
        raise SettingsError(f"Unknown paper '{paper}'.", fix=did_you_mean(paper, PAPERS))
    size, square_mm = PAPERS[paper]
    page = BytesIO()
    # Invariant: no clock and no random id in the file, same in same out.
    canvas = Canvas(page, pagesize=size, invariant=1)
    canvas.setTitle(f"fruitvision lens board, squares of {square_mm:g} mm, {paper}")
    canvas.setCreator("fruitvision")
    # Keeps print dialogs that heed it from shrinking the page.
    canvas.setViewerPreference("PrintScaling", "None")
    _draw_page(canvas, size, square_mm)
    canvas.showPage()
    canvas.save()
    write_asked_for(path, page.getvalue())
    return square_mm


def _draw_page(canvas: Canvas, size: tuple[float, float], square_mm: float) -> None:
    """Top to bottom: board, how to photograph it, ruler."""
    width, height = size
    top = height - MARGIN_MM * mm
    _draw_board(canvas, (width - COLUMNS * square_mm * mm) / 2, top, square_mm * mm)
    left = (width - RULER_MM * mm) / 2
    y = MARGIN_MM * mm + 14 * mm
    words = (
        f"Squares of {square_mm:g} mm, printed at 100 %. Measure the ruler and the board's height "
        f"({ROWS * square_mm:g} mm): both must hold."
    )
    draw_ruler(canvas, left, y, words=words)
    for number, line in enumerate(reversed(_HOW)):
        put_text(canvas, (left, y + (2.5 + 3.6 * number) * mm), line, size=7.5)


def _draw_board(canvas: Canvas, left: float, top: float, square: float) -> None:
    """Black squares and the black of markers, the latter with their white cells cut out."""
    canvas.setFillGray(INK)
    # One path, so that no seams show between squares.
    black = canvas.beginPath()
    for column, row in black_squares():
        black.rect(left + column * square, top - (row + 1) * square, square, square)
    canvas.drawPath(black, stroke=0, fill=1)
    cell = MARKER_SHARE * square / MARKER_CELLS
    for number, x, y in marker_places():
        canvas.setFillGray(INK)
        corner_x, corner_y = left + x * square, top - y * square
        side = MARKER_CELLS * cell
        canvas.rect(corner_x, corner_y - side, side, side, stroke=0, fill=1)
        white = canvas.beginPath()
        for cell_row, cell_column in np.argwhere(marker_cells(number)):
            white.rect(
                corner_x + float(cell_column) * cell,
                corner_y - float(cell_row + 1) * cell,
                cell,
                cell,
            )
        canvas.setFillGray(1)
        canvas.drawPath(white, stroke=0, fill=1)

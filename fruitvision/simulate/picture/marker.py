"""The printed sheet that hangs in every picture: white A4, tag36h11 number 7, 150 mm wide."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MARKER_ID = 7
MARKER_SIDE_MM = 150.0
SHEET_MM = (210.0, 297.0)
# Distance from the top of the sheet to the top of the black square, mm.
MARKER_TOP_MM = 45.0

# The black (#) and white (.) cells of number 7 in the tag36h11 family (Olson 2011), border
# included. Kept here so that rendering needs no OpenCV; a test holds it against OpenCV's.
CELLS = (
    "########",
    "###.#.##",
    "#...####",
    "##...#.#",
    "###.#.##",
    "##..####",
    "###.####",
    "########",
)


def draw_sheet(px_per_mm: int = 8) -> NDArray[np.uint8]:
    """The sheet as a (height, width) grey picture: marker, and a 150 mm ruler under it."""
    width, height = (round(side * px_per_mm) for side in SHEET_MM)
    sheet = np.full((height, width), 255, dtype=np.uint8)
    cell_px = MARKER_SIDE_MM * px_per_mm / len(CELLS)
    edges = np.rint(np.arange(len(CELLS) + 1) * cell_px).astype(int)
    left = round((SHEET_MM[0] - MARKER_SIDE_MM) / 2 * px_per_mm)
    top = round(MARKER_TOP_MM * px_per_mm)
    for row, cells in enumerate(CELLS):
        for column, cell in enumerate(cells):
            if cell == "#":
                rows = slice(top + edges[row], top + edges[row + 1])
                sheet[rows, left + edges[column] : left + edges[column + 1]] = 0
    ruler = top + round((MARKER_SIDE_MM + 45.0) * px_per_mm)
    sheet[ruler : ruler + px_per_mm, left : left + edges[-1]] = 0
    for tick_mm in range(0, 151, 10):
        at = left + min(tick_mm * px_per_mm, edges[-1] - px_per_mm // 2)
        sheet[ruler - 5 * px_per_mm : ruler, at : at + px_per_mm // 2] = 0
    return sheet


def marker_corners_on_sheet_mm() -> NDArray[np.float64]:
    """(4, 2) corners of the black square: top left, top right, bottom right, bottom left.

    Measured from the middle of the sheet, x right and y up as one looks at it.
    """
    half = MARKER_SIDE_MM / 2.0
    top = SHEET_MM[1] / 2.0 - MARKER_TOP_MM
    bottom = top - MARKER_SIDE_MM
    return np.array([[-half, top], [half, top], [half, bottom], [-half, bottom]])

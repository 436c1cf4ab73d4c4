"""The board whose photos tell a lens: a chessboard with markers in its white squares (ChArUco).

Each corner is known by the markers beside it, so that the board may reach out of the picture
(OpenCV's `aruco` module; Garrido-Jurado et al. 2014 for the markers).
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Squares across and down. Our choice: fills A4 and Letter beside the ruler, and an odd number
# of rows looks alike in all versions of OpenCV.
COLUMNS, ROWS = 7, 9
# Side of a marker against that of its square. Common practice: 0.7 to 0.8.
MARKER_SHARE = 0.72
# Markers of 5 x 5 cells, so that none is taken for the sheet that hangs in the tree (6 x 6).
DICTIONARY = cv2.aruco.DICT_5X5_50
# Cells across a marker, its black border counted.
MARKER_CELLS = 7


@cache
def board() -> cv2.aruco.CharucoBoard:
    """The board, in squares: its upper left corner is (0, 0), x right, y down."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    return cv2.aruco.CharucoBoard((COLUMNS, ROWS), 1.0, MARKER_SHARE, dictionary)


def corner_places() -> Floats:
    """(N, 3) inner corners of the board by their number, in squares; z is 0."""
    return np.asarray(board().getChessboardCorners(), dtype=np.float64)


def marker_places() -> list[tuple[int, float, float]]:
    """Number of each marker, and x and y of its upper left corner, in squares."""
    places = np.asarray(board().getObjPoints(), dtype=np.float64)[:, 0, :2]
    numbers = np.ravel(np.asarray(board().getIds()))
    return [
        (int(number), float(x), float(y)) for number, (x, y) in zip(numbers, places, strict=True)
    ]


def black_squares() -> list[tuple[int, int]]:
    """Column and row of each black square: those that hold no marker."""
    white = {(int(x), int(y)) for _, x, y in marker_places()}
    return [
        (column, row)
        for row in range(ROWS)
        for column in range(COLUMNS)
        if (column, row) not in white
    ]


def marker_cells(number: int) -> NDArray[np.bool_]:
    """(7, 7) bool, True where a marker is white, first row on top."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, number, MARKER_CELLS)) > 127

"""Areas of a photo that were never published: they are flat grey and nothing is labelled there."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from fruitvision.errors import TrainingError

# Left, top, right, bottom; edges of pixels in centre coordinates.
Area = tuple[float, float, float, float]

# The row photos were put back together from tiles of 640 px that start every 512 px, and what no
# tile covers is this grey (the data set's own description).
TILE_PX, STEP_PX, GREY = 640, 512, 114
# JPEG rings where a grey area meets the photo: up to 28 grey levels, over less than 1 % of the
# area in the 257 row photos. Our choice, because it is well past both and far below any photo.
MOST_RINGING, LEAST_FLAT = 2, 0.97


def missing_areas(
    tiles: Iterable[tuple[int, int]], width_px: int, height_px: int
) -> tuple[Area, ...]:
    """Rectangles that no tile covers, without overlap.

    Parameters
    ----------
    tiles : (column, row) of each tile that was published.

    Returns
    -------
    tuple of (left, top, right, bottom)
        Px of the photo at full size: columns 0 to 9 reach from -0.5 to 9.5.
    """
    corners = [(column * STEP_PX, row * STEP_PX) for column, row in tiles]
    x = _breaks((left for left, _ in corners), width_px)
    y = _breaks((top for _, top in corners), height_px)
    open_cells = np.ones((len(y) - 1, len(x) - 1), dtype=np.bool_)
    for left, top in corners:
        rows = (y[:-1] >= top) & (y[:-1] < top + TILE_PX)
        columns = (x[:-1] >= left) & (x[:-1] < left + TILE_PX)
        open_cells[np.ix_(rows, columns)] = False
    return tuple(
        (float(x[first]) - 0.5, float(y[row]) - 0.5, float(x[end]) - 0.5, float(y[row + 1]) - 0.5)
        for row in range(len(y) - 1)
        for first, end in _runs(open_cells[row])
    )


def check_grey(image: NDArray[np.uint8], areas: Iterable[Area]) -> None:
    """Make sure that the areas are flat grey in the photo.

    Parameters
    ----------
    image : (H, W, 3) uint8

    Raises
    ------
    TrainingError
        If one shows something: then tiles and photo do not belong together.
    """
    for area in areas:
        left, top, right, bottom = (round(edge + 0.5) for edge in area)
        part = image[top:bottom, left:right].astype(np.int16)
        flat = (np.abs(part - GREY) <= MOST_RINGING).all(axis=2).mean()
        if flat < LEAST_FLAT:
            raise TrainingError(
                f"Columns {left} to {right} of rows {top} to {bottom} should be flat grey, but "
                f"{1 - flat:.0%} of them are not.",
                fix="Photo and annotations do not belong together: copy both again.",
            )


def _breaks(starts: Iterable[int], size_px: int) -> NDArray[np.int64]:
    edges = {0, size_px}
    for start in starts:
        edges |= {min(start, size_px), min(start + TILE_PX, size_px)}
    return np.array(sorted(edges), dtype=np.int64)


def _runs(cells: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and end of each run of True."""
    steps = np.flatnonzero(np.diff(np.concatenate([[False], cells, [False]])))
    return [(int(first), int(end)) for first, end in steps.reshape(-1, 2)]

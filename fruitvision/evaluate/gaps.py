"""Areas of a photo of which there is no picture: they are flat grey."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Image = NDArray[np.uint8]
# Left, top, right, bottom; edges of pixels in centre coordinates.
Area = tuple[float, float, float, float]

# Grey of missing areas, and how far JPEG may move it. 114 is what training of general-purpose
# detectors pads with (common practice).
GAP_GREY = 114
GAP_GREY_WITHIN = 2
# A gap is at least this wide, px: less is a grey thing. Our choice.
LEAST_GAP_PX = 25
# Tiles of the open row photos: 640 px as their source says; every 512 px follows from the size of
# the photos, 640 + 512 n.
TILE_PX = 640
TILE_STEP_PX = 512


def missing_tiles(image: Mapping[str, Any]) -> Floats:
    """(K, 4) left, top, right, bottom of what no tile of a photo shows, px.

    Parameters
    ----------
    image : mapping
        Of a COCO file. Nothing is missing unless `tiles_present` lists column and row of each tile
        and `width` and `height` fit such a grid.
    """
    if "tiles_present" not in image:
        return np.zeros((0, 4))
    sides = (int(image["width"]), int(image["height"]))
    if any((side - TILE_PX) % TILE_STEP_PX or side < TILE_PX for side in sides):
        return np.zeros((0, 4))
    tiles = [(int(column), int(row)) for column, row in image["tiles_present"]]
    return np.array(missing_areas(tiles, *sides)).reshape(-1, 4) + 0.5


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
    corners = [(column * TILE_STEP_PX, row * TILE_STEP_PX) for column, row in tiles]
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


def _breaks(starts: Iterable[int], size_px: int) -> NDArray[np.int64]:
    edges = {0, size_px}
    for start in starts:
        edges |= {min(start, size_px), min(start + TILE_PX, size_px)}
    return np.array(sorted(edges), dtype=np.int64)


def _runs(cells: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and end of each run of True."""
    steps = np.flatnonzero(np.diff(np.concatenate([[False], cells, [False]])))
    return [(int(first), int(end)) for first, end in steps.reshape(-1, 2)]


def grey_areas(image: Image) -> Flags:
    """(H, W) bool: where an (H, W, 3) uint8 picture is flat grey, as missing areas are."""
    low, high = GAP_GREY - GAP_GREY_WITHIN, GAP_GREY + GAP_GREY_WITHIN
    grey = cv2.inRange(image, (low, low, low), (high, high, high))
    # Neither ends of the picture nor odd pixels at the rim of a gap make it smaller.
    opened = cv2.morphologyEx(grey, cv2.MORPH_OPEN, np.ones((LEAST_GAP_PX, LEAST_GAP_PX), np.uint8))
    return np.asarray(opened > 0)


def in_gaps(image: Image, boxes: Floats, gaps: Floats) -> Flags:
    """(N,) bool: boxes whose centre lies in a grey area or in one of the gaps.

    Parameters
    ----------
    image : (H, W, 3) uint8
    boxes, gaps : (N, 4), (K, 4) float
        Left, top, right, bottom, px, counted at edges of pixels.
    """
    if not len(boxes):
        return np.zeros(0, dtype=np.bool_)
    x, y = (boxes[:, 0] + boxes[:, 2]) / 2, (boxes[:, 1] + boxes[:, 3]) / 2
    column = np.clip(np.floor(x).astype(np.int64), 0, image.shape[1] - 1)
    row = np.clip(np.floor(y).astype(np.int64), 0, image.shape[0] - 1)
    missing = grey_areas(image)[row, column]
    for left, top, right, bottom in gaps:
        missing |= (x >= left) & (x < right) & (y >= top) & (y < bottom)
    return np.asarray(missing, dtype=np.bool_)

"""Areas of a photo of which there is no picture: they are flat grey."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Image = NDArray[np.uint8]

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
    # Overlaps are cells of their own: 0, 512, 640, 1024, 1152 ...
    edges = [_edges(side) for side in sides]
    present = {(int(column), int(row)) for column, row in image["tiles_present"]}
    cells = [
        (left, top, right, bottom)
        for left, right in zip(edges[0], edges[0][1:], strict=False)
        for top, bottom in zip(edges[1], edges[1][1:], strict=False)
        if not any(_covers(tile, left, top) for tile in present)
    ]
    return np.array(cells, dtype=np.float64).reshape(-1, 4)


def _edges(side: int) -> list[int]:
    starts = range(0, side - TILE_PX + 1, TILE_STEP_PX)
    return sorted({edge for start in starts for edge in (start, start + TILE_PX)})


def _covers(tile: tuple[int, int], left: int, top: int) -> bool:
    x, y = tile[0] * TILE_STEP_PX, tile[1] * TILE_STEP_PX
    return x <= left < x + TILE_PX and y <= top < y + TILE_PX


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

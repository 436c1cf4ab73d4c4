"""A network over a picture of any size: in tiles that overlap, every fruit once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.cells import (
    FRUIT_PIXEL,
    MULTIPLE_PX,
    STRIDE_PX,
    VOTE,
    Cells,
    Peaks,
    decode,
    distinct,
    joined,
)
from fruitvision.fruit.detector import Image

# Most pixels of one tile: the network then needs about 0.3 GB. Our choice.
MOST_TILE_PIXELS = 1344 * 1344
# Wanted overlap of tiles. Tiles start at multiples of 32 px: 96 px are left at least, nearly twice
# the usual fruit (52 px). Half of it lies around the centre of a fruit on a seam. Our choice:
# 192 takes 4 to 7 % more pixels of a photo of 12 megapixels.
OVERLAP_PX = 128
# A tile also takes fruit centred this far beyond its core: two tiles see the same fruit a little
# apart, and neither may leave it to the other. Our choice: a sixth of the usual fruit.
MARGIN_PX = 8
# Grey around pictures, as in training (`fruitvision.train.crops`).
GREY = 114
# Peaks below this score are never fruit. Our choice: low, the curves of precision end there.
LEAST_SCORE = 0.02
# Most candidates of a picture, the best first. Row photos hold up to 300 fruit.
MOST_CANDIDATES = 2000


class GivesCells(Protocol):
    """What a network is for this module."""

    def cells(self, picture: Image) -> Cells:
        """(CHANNELS, H / 4, W / 4) of a picture (H, W, 3)."""


@dataclass(frozen=True, slots=True)
class Tile:
    """One tile: its window and its core, left, top, right, bottom, px, the last ones exclusive."""

    window: tuple[int, int, int, int]
    core: tuple[int, int, int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the network saw in a picture.

    Parameters
    ----------
    peaks : Peaks
        In px of the picture, every fruit once, best first; boxes end at the picture's edges.
    pixels : (h, w, 3) float32
        For each cell: logit of a visible fruit, x and y of the vote, in cells.
    is_whole : bool
        All of the picture was looked at, not its middle only.
    """

    peaks: Peaks
    pixels: NDArray[np.float32]
    is_whole: bool = True


def see(
    picture: Image,
    network: GivesCells,
    *,
    most_overlap: float,
    is_enough: Callable[[Peaks], bool] = lambda peaks: False,
) -> Seen:
    """All candidates in a picture, (H, W, 3) uint8 RGB, of any size.

    Parameters
    ----------
    most_overlap : float
        Overlap of visible boxes above which two candidates are one fruit.
    is_enough : callable
        Told what the tile in the middle shows, which is looked at first: where it is enough, the
        others are not looked at.
    """
    height, width = picture.shape[:2]
    padded = padded_to_multiple(picture)
    pixels = np.zeros((padded.shape[0] // STRIDE_PX, padded.shape[1] // STRIDE_PX, 3), np.float32)
    found: list[Peaks] = []
    plan = _middle_first(tiles_over(padded.shape[1], padded.shape[0]))
    for tile in plan:
        left, top, right, bottom = tile.window
        cells = network.cells(padded[top:bottom, left:right])
        _keep_pixels(pixels, cells, tile)
        peaks = _moved(decode(cells, least_score=LEAST_SCORE), left, top)
        found.append(_owned(_inside(peaks, width, height), tile))
        if len(found) == 1 < len(plan) and is_enough(found[0]):
            break
    peaks = joined(found)
    best = peaks.take(np.arange(min(len(peaks), MOST_CANDIDATES)))
    kept = best.take(distinct(best, most_overlap=most_overlap))
    return Seen(kept, pixels, is_whole=len(found) == len(plan))


def _middle_first(plan: tuple[Tile, ...]) -> tuple[Tile, ...]:
    middle = len(plan) // 2
    return (plan[middle], *plan[:middle], *plan[middle + 1 :])


def padded_to_multiple(picture: Image) -> Image:
    """The picture with grey at its right and bottom, so that sides are multiples of 32 px."""
    down, right = (-side % MULTIPLE_PX for side in picture.shape[:2])
    return np.asarray(
        cv2.copyMakeBorder(
            np.ascontiguousarray(picture),
            *(0, down, 0, right),
            cv2.BORDER_CONSTANT,
            value=(GREY, GREY, GREY),
        ),
        dtype=np.uint8,
    )


def tiles_over(width_px: int, height_px: int) -> tuple[Tile, ...]:
    """Tiles of one size that cover a picture, with the fewest pixels in all.

    Their cores lie side by side and cover it once.

    Parameters
    ----------
    width_px, height_px : int
        Multiples of MULTIPLE_PX.
    """
    plans = [
        (columns, rows)
        for columns in range(1, _most_tiles(width_px) + 1)
        for rows in range(1, _most_tiles(height_px) + 1)
        if _size(width_px, columns) * _size(height_px, rows) <= MOST_TILE_PIXELS
    ]
    columns, rows = min(plans, key=lambda plan: _cost(plan, width_px, height_px))
    return tuple(
        Tile((left, top, right, bottom), (core_left, core_top, core_right, core_bottom))
        for top, bottom, core_top, core_bottom in _spans(height_px, rows)
        for left, right, core_left, core_right in _spans(width_px, columns)
    )


def _cost(plan: tuple[int, int], width_px: int, height_px: int) -> tuple[int, int]:
    count = plan[0] * plan[1]
    return count * _size(width_px, plan[0]) * _size(height_px, plan[1]), count


def _most_tiles(length_px: int) -> int:
    """Along one side; every tile is twice as long as the overlap or more."""
    return max(1, length_px // OVERLAP_PX - 1)


def _size(length_px: int, count: int) -> int:
    """Length of `count` equal tiles along a side."""
    return ceil((length_px + (count - 1) * OVERLAP_PX) / count / MULTIPLE_PX) * MULTIPLE_PX


def _spans(length_px: int, count: int) -> list[tuple[int, int, int, int]]:
    """Start and end of each tile along one side, and of its core."""
    size = min(_size(length_px, count), length_px)
    steps = max(1, count - 1)
    starts = [
        (length_px - size) * index // steps // MULTIPLE_PX * MULTIPLE_PX for index in range(count)
    ]
    seams = [(later + start + size) // 2 for start, later in pairwise(starts)]
    return [
        (start, start + size, low, high)
        for start, low, high in zip(starts, [0, *seams], [*seams, length_px], strict=True)
    ]


def _keep_pixels(pixels: NDArray[np.float32], cells: Cells, tile: Tile) -> None:
    """Write what a tile saw in its core."""
    left, top, right, bottom = (edge // STRIDE_PX for edge in tile.core)
    window_left, window_top = tile.window[0] // STRIDE_PX, tile.window[1] // STRIDE_PX
    rows = slice(top - window_top, bottom - window_top)
    columns = slice(left - window_left, right - window_left)
    pixels[top:bottom, left:right, 0] = cells[FRUIT_PIXEL, rows, columns]
    pixels[top:bottom, left:right, 1:] = cells[VOTE, rows, columns].transpose(1, 2, 0)


def _moved(peaks: Peaks, left: int, top: int) -> Peaks:
    """From px of a tile to px of the picture."""
    corner = np.array([left, top], dtype=np.float64)
    outlines = peaks.outlines.copy()
    outlines[:, :2] += corner
    cells = peaks.cells + np.array([top, left]) // STRIDE_PX
    return replace(peaks, boxes=peaks.boxes + np.tile(corner, 2), outlines=outlines, cells=cells)


def _inside(peaks: Peaks, width: int, height: int) -> Peaks:
    """Boxes cut at the picture's edges; those that lie in the padding are dropped."""
    edges = np.array([width, height, width, height]) - 0.5
    boxes = np.clip(peaks.boxes, -0.5, edges)
    centred = (peaks.cells * STRIDE_PX < (height, width)).all(1)
    # A box of less than a px is none.
    keep = np.flatnonzero(centred & ((boxes[:, 2:] - boxes[:, :2]) >= 1).all(1))
    return replace(peaks, boxes=boxes).take(keep)


def _owned(peaks: Peaks, tile: Tile) -> Peaks:
    """The best of those whose box is centred in the tile's core, or just beyond it."""
    left, top, right, bottom = tile.core
    x, y = ((peaks.boxes[:, :2] + peaks.boxes[:, 2:]) / 2).T
    across = (x >= left - MARGIN_PX - 0.5) & (x < right + MARGIN_PX - 0.5)
    down = (y >= top - MARGIN_PX - 0.5) & (y < bottom + MARGIN_PX - 0.5)
    return peaks.take(np.flatnonzero(across & down)[:MOST_CANDIDATES])

"""Visible pixels of every fruit: where the network sees fruit, and whose it says they are."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.cells import STRIDE_PX
from fruitvision.fruit.working_scale import Zoom

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# An outline is grown by this much all round before it cuts a mask, px: its rim runs through the
# middle of edge pixels, and real fruit are no exact ellipses. Our choice.
GROWN_PX = 1.0
# Share of a visible box's sides by which a mask may reach beyond it. Our choice: boxes err by less.
BOX_MARGIN = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Votes:
    """What the network says of pixels: (h, w, 3) logit of a visible fruit, x and y of the vote, in
    cells, for each cell of the picture that was made `zoom` times as large; and the size of the
    picture itself, height and width, px.
    """

    pixels: NDArray[np.float32]
    zoom: Zoom
    picture: tuple[int, int]


def masks_of(
    outlines: Floats, boxes: Floats, votes: Votes
) -> tuple[tuple[Mask, ...], NDArray[np.int64]]:
    """Visible pixels of every fruit; a pixel belongs to one at most.

    Parameters
    ----------
    outlines : (N, 5) float
        Full outlines, px of the picture itself.
    boxes : (N, 4) float
        Visible boxes, px of the picture itself: votes point to their centres.
    votes : Votes

    Returns
    -------
    masks : tuple of N (h, w) bool
    origins : (N, 2) int
        Column and row of each mask's top-left pixel.
    """
    centres = (boxes[:, :2] + boxes[:, 2:]) / 2
    masks, origins = [], np.zeros((len(outlines), 2), dtype=np.int64)
    neighbours = _neighbours(outlines)
    for index, outline in enumerate(outlines):
        inside, origins[index] = _inside_both(outline, boxes[index], votes.picture)
        masks.append(_own(inside, origins[index], centres, (index, neighbours[index]), votes))
    return tuple(masks), origins


def _inside_both(
    outline: Floats, box: Floats, picture: tuple[int, int]
) -> tuple[Mask, NDArray[np.int64]]:
    """Pixels inside an outline and near its visible box: window, at least 1 x 1, and its origin."""
    x, y, long_px, short_px, direction_deg = outline
    half_long, half_short = long_px / 2 + GROWN_PX, short_px / 2 + GROWN_PX
    margin = BOX_MARGIN * (box[2:] - box[:2]) + GROWN_PX
    last = np.array([picture[1], picture[0]]) - 1
    low = np.maximum(box[:2] - margin, outline[:2] - half_long)
    high = np.minimum(box[2:] + margin, outline[:2] + half_long)
    left, top = np.clip(np.floor(low), 0, last).astype(np.int64)
    right, bottom = np.clip(np.ceil(high), (left, top), last).astype(np.int64)
    dx = np.arange(left, right + 1) - x
    dy = (np.arange(top, bottom + 1) - y)[:, None]
    turn = np.deg2rad(direction_deg)
    along = (dx * np.cos(turn) + dy * np.sin(turn)) / half_long
    across = (dy * np.cos(turn) - dx * np.sin(turn)) / half_short
    return np.asarray(along**2 + across**2 <= 1.0), np.array([left, top], dtype=np.int64)


def _neighbours(outlines: Floats) -> list[NDArray[np.int64]]:
    """Indices of the others whose outlines may touch each."""
    reach = outlines[:, 2] / 2 + GROWN_PX
    near = []
    for index, outline in enumerate(outlines):
        apart = np.hypot(outlines[:, 0] - outline[0], outlines[:, 1] - outline[1])
        found = np.flatnonzero(apart < reach + reach[index])
        near.append(found[found != index].astype(np.int64))
    return near


def _own(
    inside: Mask,
    origin: NDArray[np.int64],
    centres: Floats,
    fruit: tuple[int, NDArray[np.int64]],
    votes: Votes,
) -> Mask:
    """Fruit pixels of a window that vote for this fruit rather than for a neighbour."""
    index, others = fruit
    seen = _window(votes, origin, inside.shape)
    mask = inside & (seen[..., 0] > 0)
    if not len(others):
        return mask
    rows, columns = np.nonzero(mask)
    # Everything from the fruit's own centre: a point is nearer to it than to another centre if it
    # lies on this side of the line half-way between them.
    to_px = np.array([STRIDE_PX / votes.zoom.across, STRIDE_PX / votes.zoom.down])
    targets = np.column_stack([columns, rows]) + (origin - centres[index])
    targets += seen[rows, columns, 1:] * to_px
    towards = centres[others] - centres[index]
    along, half_way = targets @ towards.T, (towards**2).sum(1) / 2
    # Even votes go to the earlier, surer fruit.
    keep = np.where(others < index, along < half_way, along <= half_way).all(1)
    mask[rows[~keep], columns[~keep]] = False
    return mask


def _window(votes: Votes, origin: NDArray[np.int64], shape: tuple[int, ...]) -> NDArray[np.float32]:
    """(h, w, 3) what the network says of each pixel of a window, between cells on a line."""
    # Pixel x of the picture lies at (x + 0.5) * zoom - 0.5 for the network, cell j at 4j + 1.5.
    middle = (STRIDE_PX - 1) / 2
    step = np.array([votes.zoom.across, votes.zoom.down])
    start = ((origin + 0.5) * step - 0.5 - middle) / STRIDE_PX
    matrix = np.array([[step[0] / STRIDE_PX, 0.0, start[0]], [0.0, step[1] / STRIDE_PX, start[1]]])
    seen = cv2.warpAffine(
        votes.pixels,
        matrix,
        (shape[1], shape[0]),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(seen, dtype=np.float32)

"""Which pixels inside a full outline are the fruit itself, and which hide it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import Plane

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A pixel inside the traced rim counts as hidden where the fruit likelihood falls below this share
# of the fruit's own upper quartile. Our choice: low, so that a lit cheek or a stripe stays fruit.
HIDDEN_BELOW = 0.40


def visible_masks(
    outlines: Floats,
    rims_px: Floats,
    *,
    likelihood: Plane,
    factor: float,
    picture: tuple[int, int],
) -> tuple[tuple[Mask, ...], NDArray[np.int64], Floats]:
    """Visible pixels of every outline.

    Parameters
    ----------
    outlines : (N, 5) float
        Full outlines in full pixels.
    rims_px : (N, RAYS) float
        Distances of the traced rims from the outlines' centres, full px.
    likelihood : (h, w) float32
        Fruit likelihood of the picture made `factor` times as large.
    factor : float
    picture : tuple of int
        Height and width, full px.

    Returns
    -------
    masks : tuple of N (h, w) bool
    origins : (N, 2) int
        Column and row of each mask's top-left pixel.
    shares : (N,) float
        Visible pixels over the area of the full outline, 0 to 1.
    """
    masks, origins = [], np.zeros((len(outlines), 2), dtype=np.int64)
    for index, outline in enumerate(outlines):
        full, origins[index] = inside_outline(outline, picture[1], picture[0])
        columns, rows = np.meshgrid(
            np.arange(full.shape[1]) + origins[index, 0],
            np.arange(full.shape[0]) + origins[index, 1],
        )
        local = cv2.remap(
            likelihood,
            ((columns + 0.5) * factor - 0.5).astype(np.float32),
            ((rows + 0.5) * factor - 0.5).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        masks.append(
            visible_mask(full, origins[index], rims_px[index], outline[:2], np.asarray(local))
        )
    masks = _in_front(outlines, masks, origins)
    areas = np.pi / 4 * outlines[:, 2] * outlines[:, 3]
    shares = np.array([mask.sum() for mask in masks]) / areas
    return tuple(masks), origins, np.clip(shares, 0.0, 1.0)


def boxes_around(masks: tuple[Mask, ...], origins: NDArray[np.int64], outlines: Floats) -> Floats:
    """(N, 4) left, top, right, bottom of each mask's pixels, at their edges, full px.

    A fruit of which no pixel is seen gets the box around its outline (N, 5).
    """
    boxes = np.zeros((len(masks), 4))
    for index, (mask, origin) in enumerate(zip(masks, origins, strict=True)):
        columns, rows = np.flatnonzero(mask.any(0)), np.flatnonzero(mask.any(1))
        if len(columns):
            boxes[index, :2] = origin + np.array([columns[0], rows[0]]) - 0.5
            boxes[index, 2:] = origin + np.array([columns[-1], rows[-1]]) + 0.5
        else:
            boxes[index] = _box_around_outline(outlines[index])
    return boxes


def _box_around_outline(outline: NDArray[np.float64]) -> Floats:
    x, y, long_px, short_px, direction_deg = outline
    turn = np.deg2rad(direction_deg)
    reach_x = np.hypot(long_px * np.cos(turn), short_px * np.sin(turn)) / 2
    reach_y = np.hypot(long_px * np.sin(turn), short_px * np.cos(turn)) / 2
    return np.array([x - reach_x, y - reach_y, x + reach_x, y + reach_y])


def inside_outline(
    outline: NDArray[np.float64], width_px: int, height_px: int
) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Pixels inside one ellipse.

    Returns
    -------
    mask : (h, w) bool
        Window of the outline, cut at the picture's edge; at least 1 x 1.
    origin : (2,) int
        Column and row of the window's top-left pixel.
    """
    x, y, long_px, short_px, direction_deg = outline
    half = long_px / 2
    left = int(np.clip(np.floor(x - half), 0, width_px - 1))
    top = int(np.clip(np.floor(y - half), 0, height_px - 1))
    right = int(np.clip(np.ceil(x + half) + 1, left + 1, width_px))
    bottom = int(np.clip(np.ceil(y + half) + 1, top + 1, height_px))
    dx = np.arange(left, right) - x
    dy = (np.arange(top, bottom) - y)[:, None]
    turn = np.deg2rad(direction_deg)
    along = (dx * np.cos(turn) + dy * np.sin(turn)) / (long_px / 2)
    across = (dy * np.cos(turn) - dx * np.sin(turn)) / (short_px / 2)
    return np.asarray(along**2 + across**2 <= 1.0), np.array([left, top], dtype=np.int64)


def visible_mask(
    mask: NDArray[np.bool_],
    origin: NDArray[np.int64],
    rim_px: NDArray[np.float64],
    centre: NDArray[np.float64],
    likelihood: Plane,
) -> NDArray[np.bool_]:
    """Part of an outline that is neither beyond the traced rim nor covered.

    Parameters
    ----------
    mask : (h, w) bool
        Inside of the full outline.
    origin : (2,) int
        Column and row of the window's top-left pixel.
    rim_px : (RAYS,) float
        Distance of the traced rim from `centre` along each ray, px.
    centre : (2,) float
        Centre of the rays, x and y.
    likelihood : (h, w) float32
        Fruit likelihood in the same window.
    """
    height, width = mask.shape
    dx = np.arange(width) + origin[0] - centre[0]
    dy = (np.arange(height) + origin[1] - centre[1])[:, None]
    ray = np.mod(np.arctan2(dy, dx) / (2 * np.pi), 1.0) * len(rim_px)
    reach = np.interp(ray, np.arange(len(rim_px) + 1), np.append(rim_px, rim_px[0]))
    # Half a pixel more: the rim runs through the middle of edge pixels.
    within: Mask = mask & (np.hypot(dx, dy) <= reach + 0.5)
    if not within.any():
        return within
    own = np.percentile(likelihood[within], 75)
    seen = within & (likelihood >= HIDDEN_BELOW * own)
    # Fill glints and lenticels, drop specks: 3 x 3 closing, then opening.
    square = np.ones((3, 3), np.uint8)
    closed = cv2.morphologyEx(seen.astype(np.uint8), cv2.MORPH_CLOSE, square)
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, square)
    return np.asarray((opened > 0) & mask, dtype=np.bool_)


def _in_front(outlines: Floats, masks: list[Mask], origins: NDArray[np.int64]) -> list[Mask]:
    """Masks in which every pixel belongs to one fruit at most.

    It goes to the fruit whose centre is nearest, in units of its own radius.
    """
    reach = outlines[:, 2] / 2
    out = []
    for index, mask in enumerate(masks):
        apart = np.hypot(*(outlines[:, :2] - outlines[index, :2]).T)
        others = np.flatnonzero(apart < reach + reach[index])
        own = mask.copy()
        for other in others[others != index]:
            nearer = _distance(outlines[other], mask.shape, origins[index]) < _distance(
                outlines[index], mask.shape, origins[index]
            )
            own &= ~(nearer & _seen_through(masks[other], origins[other], mask, origins[index]))
        out.append(own)
    return out


def _distance(outline: Floats, shape: tuple[int, ...], origin: NDArray[np.int64]) -> Floats:
    """Distance of a window's pixels from an outline's centre, in its radii."""
    dx = np.arange(shape[1]) + origin[0] - outline[0]
    dy = (np.arange(shape[0]) + origin[1] - outline[1])[:, None]
    return np.asarray(np.hypot(dx, dy) / (outline[2] / 2), dtype=np.float64)


def _seen_through(
    mask: Mask, origin: NDArray[np.int64], window: Mask, window_origin: NDArray[np.int64]
) -> Mask:
    """One mask cut or padded to the window of another."""
    out = np.zeros_like(window)
    low = np.maximum(origin, window_origin)
    high = np.minimum(origin + mask.shape[::-1], window_origin + window.shape[::-1])
    if (high > low).all():
        (x0, y0), (x1, y1) = low - window_origin, high - window_origin
        (u0, v0), (u1, v1) = low - origin, high - origin
        out[y0:y1, x0:x1] = mask[v0:v1, u0:u1]
    return out

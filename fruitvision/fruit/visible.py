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
    masks = _in_front(outlines, masks, origins, picture)
    areas = np.pi / 4 * outlines[:, 2] * outlines[:, 3]
    shares = np.array([mask.sum() for mask in masks]) / areas
    return tuple(masks), origins, np.clip(shares, 0.0, 1.0)


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
    return along**2 + across**2 <= 1.0, np.array([left, top], dtype=np.int64)


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
    within = mask & (np.hypot(dx, dy) <= reach + 0.5)
    if not within.any():
        return within
    own = np.percentile(likelihood[within], 75)
    seen = within & (likelihood >= HIDDEN_BELOW * own)
    # Fill glints and lenticels, drop specks: 3 x 3 closing, then opening.
    square = np.ones((3, 3), np.uint8)
    closed = cv2.morphologyEx(seen.astype(np.uint8), cv2.MORPH_CLOSE, square)
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, square)
    return np.asarray((opened > 0) & mask, dtype=np.bool_)


def _in_front(
    outlines: Floats,
    masks: list[Mask],
    origins: NDArray[np.int64],
    picture: tuple[int, int],
) -> list[NDArray[np.bool_]]:
    """Masks in which every pixel belongs to one fruit at most: the one whose centre is nearest,
    in units of its own radius.
    """
    height, width = picture
    owner = np.full((height, width), -1, dtype=np.int32)
    nearest = np.full((height, width), np.inf, dtype=np.float32)
    for index, mask in enumerate(masks):
        left, top = origins[index]
        window = np.s_[top : top + mask.shape[0], left : left + mask.shape[1]]
        x, y, long_px = outlines[index, :3]
        dx = np.arange(mask.shape[1]) + left - x
        dy = (np.arange(mask.shape[0]) + top - y)[:, None]
        distance = (np.hypot(dx, dy) / (long_px / 2)).astype(np.float32)
        wins = mask & (distance < nearest[window])
        nearest[window][wins] = distance[wins]
        owner[window][wins] = index
    out = []
    for index, mask in enumerate(masks):
        left, top = origins[index]
        window = np.s_[top : top + mask.shape[0], left : left + mask.shape[1]]
        out.append(mask & (owner[window] == index))
    return out

"""A part of the picture in linear light, read along rays from the middle of a ball."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.balls.sphere import View

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

_STORED = np.arange(256) / 255
# sRGB to linear light (IEC 61966-2-1): a lens blurs light, not the stored values.
_LIGHT = np.where(_STORED <= 0.04045, _STORED / 12.92, ((_STORED + 0.055) / 1.055) ** 2.4)


def to_stored(light: NDArray[np.floating]) -> Floats:
    """Linear light to stored values, both 0 to 1 (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Linear light of a part of the picture, shrunk so that a ball is not needlessly large.

    Parameters
    ----------
    light : (h, w, C) float32
        0 to 1.
    origin_px : tuple of int
        Column and row of the part's top-left pixel in the picture.
    shrink : int
        Pixels of the picture, along one side, in a pixel of the window.
    """

    light: NDArray[np.float32]
    origin_px: tuple[int, int]
    shrink: int

    def to_window(self, points_px: Floats) -> Floats:
        """(N, 2) px of the picture to px of the window."""
        return np.asarray((points_px - np.array(self.origin_px) + 0.5) / self.shrink - 0.5)

    def at(self, points_px: Floats) -> Floats:
        """(N, C) light at (N, 2) points of the picture, px; the nearest pixel's outside of it."""
        places = self.to_window(points_px)
        found = cv2.remap(
            self.light,
            places[None, :, 0].astype(np.float32),
            places[None, :, 1].astype(np.float32),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(found[0], dtype=np.float64)


def window_around(
    image: Image, x_px: float, y_px: float, reach_px: float, *, radius_px: float, most_px: float
) -> Window:
    """The window that reaches `reach_px` from a point.

    Parameters
    ----------
    image : (H, W, 3) uint8, RGB
    radius_px, most_px : float
        Radius of the ball in the picture, and the largest that it shall have in the window.
    """
    height, width = image.shape[:2]
    left, top = (max(int(one - reach_px), 0) for one in (x_px, y_px))
    right = max(min(ceil(x_px + reach_px) + 1, width), left + 1)
    bottom = max(min(ceil(y_px + reach_px) + 1, height), top + 1)
    crop = image[min(top, height - 1) : bottom, min(left, width - 1) : right]
    light = np.asarray(_LIGHT[crop], dtype=np.float32)
    shrink = max(1, ceil(radius_px / most_px))
    if shrink > 1:
        rows, columns = (max(one // shrink, 1) * shrink for one in crop.shape[:2])
        size = (columns // shrink, rows // shrink)
        shrunk = cv2.resize(light[:rows, :columns], size, interpolation=cv2.INTER_AREA)
        light = np.asarray(shrunk, dtype=np.float32)
    return Window(light=light, origin_px=(left, top), shrink=shrink)


def read_rays(window: Window, view: View, radii_px: Floats, count: int) -> Floats:
    """(count, len(radii), C) light along rays from the middle of a view, the first to its right."""
    turn = np.arange(count) * 2 * np.pi / count
    points = np.stack(
        [np.outer(np.cos(turn), radii_px), np.outer(np.sin(turn), radii_px)], axis=-1
    ).reshape(-1, 2)
    return window.at(view.to_picture(points)).reshape(count, len(radii_px), -1)

"""Blurs of (H, W, C) float32 pictures: of a lens, of a moving hand, and of stray light."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]


def gaussian(picture: Pixels, sigma_px: float) -> Pixels:
    """Gaussian blur; edges repeat."""
    if sigma_px < 0.05:
        return picture
    reach = max(int(np.ceil(3.0 * sigma_px)), 1)
    weights = np.exp(-0.5 * (np.arange(reach + 1) / sigma_px) ** 2)
    weights = weights / (weights[0] + 2.0 * weights[1:].sum())
    for axis in (0, 1):
        picture = _along(picture, axis, weights.astype(np.float32))
    return picture


def _along(picture: Pixels, axis: int, weights: Pixels) -> Pixels:
    """Symmetric kernel with `weights` from its middle outwards along one axis."""
    height, width, colours = picture.shape
    reach = len(weights) - 1
    margin = [(reach, reach) if side == axis else (0, 0) for side in range(3)]
    # As a plane of numbers, so that each shift is one long run of memory.
    padded = np.pad(picture, margin, mode="edge")
    plane = padded.reshape(len(padded), -1)
    stride = 1 if axis == 0 else colours

    def moved(shift: int) -> Pixels:
        start = (reach + shift) * stride
        found = plane[start : start + height] if axis == 0 else plane[:, start : start + row]
        return np.asarray(found)

    row = width * colours
    total = moved(0) * weights[0]
    pair = np.empty_like(total)
    for step in range(1, reach + 1):
        np.add(moved(-step), moved(step), out=pair)
        pair *= weights[step]
        total += pair
    return np.asarray(total.reshape(picture.shape))


def smear(picture: Pixels, length_px: float, angle_rad: float) -> Pixels:
    """Mean of the picture moved along a line of that length, its middle left in place."""
    if length_px < 0.5:
        return picture
    count = int(np.ceil(length_px)) + 1
    along = np.linspace(-length_px / 2.0, length_px / 2.0, count)
    reach = int(np.ceil(length_px / 2.0)) + 1
    padded = np.pad(picture, ((reach, reach), (reach, reach), (0, 0)), mode="edge")
    total = np.zeros_like(picture)
    for down, right in zip(np.sin(angle_rad) * along, np.cos(angle_rad) * along, strict=True):
        for (row, column), weight in _corners(down, right):
            total += _shifted(padded, picture.shape, reach + row, reach + column) * weight
    return total / np.float32(count)


def _corners(down: float, right: float) -> list[tuple[tuple[int, int], np.float32]]:
    """Whole shifts around a shift by parts of a px, with the weights of bilinear interpolation."""
    row, column = int(np.floor(down)), int(np.floor(right))
    below, aside = down - row, right - column
    corners = [
        ((row, column), (1.0 - below) * (1.0 - aside)),
        ((row, column + 1), (1.0 - below) * aside),
        ((row + 1, column), below * (1.0 - aside)),
        ((row + 1, column + 1), below * aside),
    ]
    return [(shift, np.float32(weight)) for shift, weight in corners if weight > 1e-6]


def _shifted(padded: Pixels, shape: tuple[int, ...], row: int, column: int) -> Pixels:
    return padded[row : row + shape[0], column : column + shape[1]]


def spread_widely(picture: Pixels) -> Pixels:
    """The picture blurred over 2 % and over 15 % of its height, half and half (our choice)."""
    height, width, _ = picture.shape
    step = max(min(height, width) // 100, 1)
    small = _shrunk(picture, step)
    near, far = 0.02 * len(small), 0.15 * len(small)
    wide = 0.5 * (gaussian(small, near) + gaussian(small, far))
    return _grown(wide.astype(np.float32), step, height, width)


def _shrunk(picture: Pixels, step: int) -> Pixels:
    """Means of blocks of `step` by `step` px; the last ones repeat the edge."""
    height, width, _ = picture.shape
    margin = ((0, -height % step), (0, -width % step), (0, 0))
    padded = np.pad(picture, margin, mode="edge")
    blocks = padded.reshape(padded.shape[0] // step, step, padded.shape[1] // step, step, -1)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float32))


def _grown(small: Pixels, step: int, height: int, width: int) -> Pixels:
    """Bilinear interpolation back to (height, width)."""
    for axis, length in ((0, height), (1, width)):
        at = np.clip((np.arange(length) + 0.5) / step - 0.5, 0.0, small.shape[axis] - 1.0)
        low = np.minimum(at.astype(int), max(small.shape[axis] - 2, 0))
        high = np.minimum(low + 1, small.shape[axis] - 1)
        shape = (-1, 1, 1) if axis == 0 else (1, -1, 1)
        rest = (at - low).astype(np.float32).reshape(shape)
        small = small.take(low, axis) * (1.0 - rest) + small.take(high, axis) * rest
    return np.asarray(small)

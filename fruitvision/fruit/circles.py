"""Candidate circles: where a round rim surrounds something that looks like fruit."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import Appearance, Plane
from fruitvision.fruit.fitted import CANDIDATE

# An edge counts fully from this strength on, Lab spans per px. Our choice: clipped, so that one
# hard edge does not outvote a whole soft rim.
FULL_EDGE = 0.15
# Two outlines are one fruit if they share this part (intersection over union of their boxes) or
# if their centres are nearer than this share of the larger radius. Our choice: clusters touch.
SAME_FRUIT_OVERLAP = 0.35
SAME_FRUIT_CENTRES = 0.55


def find_circles(seen: Appearance, radii_px: Sequence[float], most: int) -> NDArray[np.float64]:
    """Local maxima of the circle response, best first.

    Parameters
    ----------
    seen : Appearance
        The picture at finding scale.
    radii_px : sequence of float
        Radii to try, ascending.
    most : int
        Longest list that is returned.

    Returns
    -------
    (N, 4) float
        Centre x, centre y, radius (px), response.
    """
    along = edge_field(seen)
    layers = [_response(seen, along, radius) for radius in radii_px]
    found = []
    for index, layer in enumerate(layers):
        peak = layer >= cv2.dilate(layer, np.ones((5, 5), np.uint8))
        for neighbour in (index - 1, index + 1):
            if 0 <= neighbour < len(layers):
                peak &= layer >= layers[neighbour]
        y, x = np.nonzero(peak)
        found.append(np.column_stack([x, y, np.full(len(x), radii_px[index]), layer[y, x]]))
    circles = np.concatenate(found).astype(np.float64)
    order = np.argsort(-circles[:, 3], kind="stable")[:most]
    return circles[order]


def drop_overlaps(circles: NDArray[np.float64], scores: NDArray[np.float64]) -> NDArray[np.int64]:
    """Indices of the circles that stay, best first, when each fruit may be found once."""
    x, y, r = circles[:, 0], circles[:, 1], circles[:, 2]
    alive = np.ones(len(circles), dtype=np.bool_)
    keep = []
    for index in np.argsort(-scores, kind="stable"):
        if not alive[index]:
            continue
        keep.append(int(index))
        wide = np.minimum(x + r, x[index] + r[index]) - np.maximum(x - r, x[index] - r[index])
        high = np.minimum(y + r, y[index] + r[index]) - np.maximum(y - r, y[index] - r[index])
        common = np.clip(wide, 0, None) * np.clip(high, 0, None)
        overlap = common / (4 * r**2 + 4 * r[index] ** 2 - common)
        apart = np.hypot(x - x[index], y - y[index]) / np.maximum(r, r[index])
        alive &= (overlap <= SAME_FRUIT_OVERLAP) & (apart >= SAME_FRUIT_CENTRES)
    return np.array(keep, dtype=np.int64)


def edge_field(seen: Appearance) -> tuple[Plane, Plane]:
    """Strength and direction of colour edges without sign, as (cos 2t, sin 2t)."""
    xx, yy, xy = (np.zeros_like(seen.texture) for _ in range(3))
    for channel in range(3):
        gx, gy = _gradient(np.ascontiguousarray(seen.lab[..., channel]))
        xx += gx * gx
        yy += gy * gy
        xy += gx * gy
    energy = xx + yy
    weight = np.minimum(np.sqrt(energy) / FULL_EDGE, 1.0) / np.maximum(energy, 1e-9)
    return (xx - yy) * weight, 2.0 * xy * weight


def _gradient(plane: Plane) -> tuple[Plane, Plane]:
    gx = cv2.Sobel(plane, cv2.CV_32F, 1, 0, scale=0.125)
    gy = cv2.Sobel(plane, cv2.CV_32F, 0, 1, scale=0.125)
    return np.asarray(gx, dtype=np.float32), np.asarray(gy, dtype=np.float32)


def _response(
    seen: Appearance,
    along: tuple[Plane, Plane],
    radius_px: float,
) -> Plane:
    total = np.zeros_like(seen.likelihood)
    for name, plane in response_parts(seen, along, radius_px).items():
        total += np.float32(CANDIDATE[name]) * plane
    return total


def response_parts(
    seen: Appearance,
    along: tuple[Plane, Plane],
    radius_px: float,
) -> dict[str, Plane]:
    """Rim votes, filling and surroundings at every pixel for one radius."""
    half = int(np.ceil(1.5 * radius_px))
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float32)
    distance = np.hypot(x, y) + np.float32(1e-6)
    ring = np.exp(-0.5 * ((distance - radius_px) / max(0.8, 0.1 * radius_px)) ** 2)
    ring /= ring.sum()
    nx, ny = x / distance, y / distance
    disc = _mean_over(distance <= 0.8 * radius_px)
    return {
        "rim_colour": _filter(along[0], ring * (nx * nx - ny * ny))
        + _filter(along[1], ring * 2.0 * nx * ny),
        "inside_likelihood": _filter(seen.likelihood, disc),
        "rim_likelihood": _filter(seen.likelihood, ring),
        "inside_texture": _filter(seen.texture, disc),
    }


def _mean_over(mask: NDArray[np.bool_]) -> Plane:
    return np.asarray(mask / mask.sum(), dtype=np.float32)


def _filter(plane: Plane, kernel: Plane) -> Plane:
    # cv2 correlates; all kernels here are meant that way.
    out = cv2.filter2D(
        plane, cv2.CV_32F, kernel.astype(np.float32), borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, dtype=np.float32)

"""Markers that can't be read because the frame cuts them or something lies on them.

Only told apart as far as can honestly be done: a marker of which at least 2.5 of 8 rows of cells
are left along one whole side, or one with its whole outline free. The rest is no marker.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# Shortest side looked at, px. Our choice: half of what is usable.
_LEAST_SIDE_PX = 20.0


def cut_markers(grey: Image, unread: Sequence[Floats]) -> list[Floats]:
    """Quadrilaterals (4, 2) that are the rest of a marker, corners in px.

    Parameters
    ----------
    grey : (H, W) uint8
    unread : sequence of (4, 2) float
        Quadrilaterals of the picture that hold no readable marker.
    """
    quads = [quad for quad in unread if _is_squarish(quad)] + _cut_by_frame(grey)
    return [quad for quad in quads if _is_rest_of_marker(grey, quad)]


def sides_px(quad: Floats) -> Floats:
    """(4,) float: lengths of the sides of a quadrilateral (4, 2)."""
    return np.asarray(np.linalg.norm(quad - np.roll(quad, -1, axis=0), axis=1))


def _is_squarish(quad: Floats) -> bool:
    """A square turned by up to about 60 degrees: no side very short, opposite ones alike."""
    sides = sides_px(quad)
    one, other = sides[:2], sides[2:]
    alike = abs(one - other) < 0.3 * np.maximum(one, other)
    return bool(sides.min() > 0.5 * sides.max() and alike.all())


def _cut_by_frame(grey: Image) -> list[Floats]:
    """Dark shapes at the frame whose convex hull is a quadrilateral with one side on the frame.

    The side on the frame is the last one, from the third to the fourth corner.
    """
    window = max(max(grey.shape) // 60 * 2 + 1, 3)
    dark = cv2.adaptiveThreshold(
        grey, 1, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, window, 10
    )
    _, labels, stats, _ = cv2.connectedComponentsWithStats(dark)
    rim = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    quads = []
    for label in np.unique(rim[rim > 0]):
        x, y, wide, tall, _ = (int(one) for one in stats[label])
        if not _LEAST_SIDE_PX <= max(wide, tall) <= min(grey.shape) / 2:
            continue
        part = (labels[y : y + tall, x : x + wide] == label).astype(np.uint8)
        hull = cv2.convexHull(cv2.findNonZero(part))
        corners = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, True), True)
        if len(corners) == 4 and cv2.contourArea(corners) > 0.9 * cv2.contourArea(hull):
            quads += _frame_side_last(
                np.asarray(corners, dtype=np.float64).reshape(4, 2) + np.array([x, y]), grey
            )
    return quads


def _frame_side_last(quad: Floats, grey: Image) -> list[Floats]:
    last = np.array([grey.shape[1] - 1, grey.shape[0] - 1])
    on_frame = (np.minimum(quad, last - quad) <= 2).any(axis=1)
    turns = [n for n in range(4) if np.roll(on_frame, -n).tolist() == [False, False, True, True]]
    return [np.roll(quad, -n, axis=0) for n in turns]


def _is_rest_of_marker(grey: Image, quad: Floats) -> bool:
    """Black border, white around it, both inside: what is left of a marker.

    The first side is taken as whole; the depth at right angles to it may be less than 8 cells.
    """
    top, right, _, left = sides_px(quad)
    rows = min(8.0, 8 * (left + right) / 2 / top)
    if not _LEAST_SIDE_PX <= top <= min(grey.shape) / 2 or rows < 2.5:
        return False
    cells = np.array([(0, 0), (8, 0), (8, rows), (0, rows)], np.float32)
    to_picture = cv2.getPerspectiveTransform(cells, quad.astype(np.float32))
    across: Floats = np.arange(0.5, 8)
    along: Floats = np.arange(0.5, rows - 0.2)

    def values(x: Floats, y: Floats) -> Floats:
        points = np.stack(np.broadcast_arrays(x, y), axis=-1).reshape(-1, 1, 2)
        places = cv2.perspectiveTransform(points, to_picture)
        # Far outside for what the homography throws to infinity.
        far = np.clip(np.nan_to_num(places.reshape(-1, 2), nan=-1e6), -1e6, 1e6)
        u, v = np.round(far).astype(int).T
        seen = (u >= 0) & (v >= 0) & (u < grey.shape[1]) & (v < grey.shape[0])
        return np.asarray(grey[v[seen], u[seen]], dtype=np.float64)

    half = np.array([0.5], dtype=np.float64)
    paper = np.concatenate([values(across, -half), values(-half, along), values(half + 8, along)])
    border = np.concatenate([values(across, half), values(half, along), values(half + 7, along)])
    inside = values(across[1:-1], along[1:, None])
    if min(paper.size, border.size, inside.size) < 6:
        return False
    white, black = np.percentile(paper, 15), np.percentile(border, 85)
    light_share = float((inside > (white + black) / 2).mean())
    # Our choice: on 257 orchard photos without a marker this finds none.
    return bool(white - black > 50) and 0.1 < light_share < 0.9

"""Roughly what a person sees from the camera, without rendering. Numpy only.

Whoever hangs the sheet looks where the visible fruit are; so does this, alike on every machine.
"""

from __future__ import annotations

import numpy as np

from fruitvision.simulate.picture.camera import Bools, Camera, Floats
from fruitvision.simulate.picture.meshes import Ints

# Cells across the longer side of the picture. Our choice: a cell is about half a leaf's width.
CELLS = 160
# A leaf is seen as this many points along its length.
LEAF_POINTS = np.linspace(0.1, 0.9, 5)
# What stands less than this before a point does not hide it, mm.
SLACK_MM = 25.0


def rough_shares(
    camera: Camera, centres_mm: Floats, diameters_mm: Floats, leaf_points_mm: Floats
) -> Floats:
    """(N,) visible part of each fruit, 0 to 1, to within a few cells of a coarse depth picture.

    `centres_mm`, `diameters_mm` : (N, 3) and (N,) of all fruit; `leaf_points_mm` : (M, 3) points
    on leaves.
    """
    discs = _discs(camera, centres_mm, diameters_mm)
    everything = np.concatenate([discs.reshape(-1, 3), leaf_points_mm])
    nearest = _nearest(camera, everything)
    cells, depth, inside = _cells(camera, discs.reshape(-1, 3))
    seen = inside & (depth <= nearest[cells] + SLACK_MM)
    return np.asarray(seen.reshape(discs.shape[:2]).mean(axis=1))


def points_along(bases_mm: Floats, along: Floats, lengths_mm: Floats) -> Floats:
    """(5 N, 3) points on N leaves from (N, 3) bases along (N, 3) unit vectors."""
    reach = (lengths_mm[:, None] * LEAF_POINTS)[:, :, None] * along[:, None, :]
    return np.asarray((bases_mm[:, None, :] + reach).reshape(-1, 3))


def before(
    camera: Camera, points_mm: Floats, centre_mm: Floats, radius_mm: float, *, margin_mm: float
) -> Bools:
    """Which of (N, 3) points lie between the camera and a sphere, or nearer to it than a margin."""
    points = camera.seen_from(points_mm)
    centre = camera.seen_from(centre_mm[None])[0]
    distance = float(np.linalg.norm(centre))
    along = points @ (centre / distance)
    aside = np.sqrt(np.maximum((points**2).sum(axis=1) - along**2, 0.0))
    # The cone of sight narrows towards the camera; the margin does not.
    width = radius_mm * np.clip(along / distance, 0.0, 1.0) + margin_mm
    return np.asarray((along > 0.0) & (along < distance + radius_mm + margin_mm) & (aside < width))


def _discs(camera: Camera, centres_mm: Floats, diameters_mm: Floats) -> Floats:
    """(N, K, 3) points of the disc that each fruit shows, spread evenly (sunflower spiral)."""
    count = 24
    radius = 0.92 * np.sqrt((np.arange(count) + 0.5) / count)
    angle = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(count)
    right, down, forward = camera.axes()
    spread = (radius * np.cos(angle))[:, None] * right + (radius * np.sin(angle))[:, None] * down
    # Where the ball bulges towards the camera, the front of the fruit is nearer than its middle.
    spread = spread - np.sqrt(1.0 - radius**2)[:, None] * forward
    return np.asarray(centres_mm[:, None, :] + diameters_mm[:, None, None] / 2.0 * spread)


def _cells(camera: Camera, points_mm: Floats) -> tuple[Ints, Floats, Bools]:
    """Cell of each of (N, 3) points in a coarse picture, its depth, and whether it is in frame."""
    seen = camera.seen_from(points_mm)
    depth = seen[:, 2]
    px = camera.distort(seen[:, :2] / np.maximum(depth, 1.0)[:, None])
    size = np.array([camera.width_px, camera.height_px])
    inside = (depth > 1.0) & ((px >= 0.0) & (px <= size - 1.0)).all(axis=1)
    cell = np.clip(px / (max(size) / CELLS), 0, CELLS - 1).astype(np.int64)
    return cell[:, 1] * CELLS + cell[:, 0], depth, inside


def _nearest(camera: Camera, points_mm: Floats) -> Floats:
    cells, depth, inside = _cells(camera, points_mm)
    nearest = np.full(CELLS * CELLS, np.inf)
    np.minimum.at(nearest, cells[inside], depth[inside])
    return nearest

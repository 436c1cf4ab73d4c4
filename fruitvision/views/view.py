"""One photo as geometry: its camera, the marker's corners, and the fruit seen from there."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import NDArray

from fruitvision.camera import ideal_px
from fruitvision.domain import Camera, MeasuredPhoto, Reference

Floats = NDArray[np.float64]

# Standard error of an outline's centre, px: one part of every outline, and one that grows with the
# share of the fruit that is hidden, as a share of its width.
CENTRE_ERROR_PX = 1.0
CENTRE_HIDDEN_SHARE = 0.08
CENTRE_SIZE_SHARE = 0.012


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """A photo with a marker, as an ideal pinhole of the same focal length would show it.

    `corners_px` : (4, 2), of the marker; `centres_px`, `centre_errors_px`, `discs_px`,
    `shares` : (N, 2), (N,), (N,), (N,) of its fruit: middle, standard error of it in x and in y,
    diameter as a disc on the axis would show it, visible share.
    """

    camera: Camera
    side_mm: float
    corners_px: Floats
    centres_px: Floats
    centre_errors_px: Floats
    discs_px: Floats
    shares: Floats

    @property
    def slopes(self) -> Floats:
        """(N, 3) directions of the fruit: right and down for a step of 1 along the axis, and 1."""
        return to_slopes(self.centres_px, self.camera)


def to_slopes(points_px: Floats, camera: Camera) -> Floats:
    """(N, 3) directions of (N, 2) ideal px, of depth 1."""
    middle = np.array([camera.middle_x_px, camera.middle_y_px])
    flat = (np.asarray(points_px) - middle) / camera.focal_px
    return np.column_stack([flat, np.ones(len(flat))])


def view_of(measured: MeasuredPhoto, camera: Camera, marker: Reference) -> View:
    """The geometry of a measured photo. `marker` is one of its references."""
    fruit = measured.fruit
    drawn = np.array([(one.centre_x_px, one.centre_y_px) for one in fruit]).reshape(-1, 2)
    return View(
        camera=camera,
        side_mm=marker.side_mm,
        corners_px=ideal_px(np.array(marker.corners_px), camera),
        centres_px=ideal_px(drawn, camera),
        centre_errors_px=np.array(
            [centre_error_px(one.width_px, one.visible_share) for one in fruit]
        ),
        discs_px=np.array([one.diameter_px for one in fruit], dtype=np.float64),
        shares=np.array([one.visible_share for one in fruit], dtype=np.float64),
    )


def centre_error_px(width_px: float, visible_share: float) -> float:
    """Standard error of an outline's middle in one direction, px."""
    hidden = 1.0 - min(max(visible_share, 0.0), 1.0)
    return hypot(CENTRE_ERROR_PX, (CENTRE_SIZE_SHARE + CENTRE_HIDDEN_SHARE * hidden) * width_px)

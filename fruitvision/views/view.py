"""One photo as geometry: its camera, the marker's corners, and the fruit seen from there."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from fruitvision.camera import ideal_px
from fruitvision.domain import Camera, Fruit, MeasuredPhoto, Reference

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# A sheet of paper is not flat: 2 mm towards the camera move a corner by so much between photos, px.
FLAT_ERROR_PX = 0.25
# Standard error of an outline's centre, px: one part of every outline, and one that grows with the
# share of the fruit that is hidden, as a share of its width. On 1,035 fruit of 36 rendered pairs
# centres erred by three quarters of this; the rest is left for wind between the photos.
CENTRE_ERROR_PX = 0.6
CENTRE_HIDDEN_SHARE = 0.055
CENTRE_SIZE_SHARE = 0.009
# Relative error of an outline whose own is not known, likewise: a detector's, see `fruit.measure`.
OUTLINE_ERROR = 0.055
OUTLINE_HIDDEN_ERROR = 0.30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """A photo with a marker, as an ideal pinhole of the same focal length would show it.

    `corners_px` : (4, 2), of the marker, each with the error `corner_error_px`.
    `centres_px`, `centre_errors_px`, `discs_px`, `disc_errors`, `shares` : (N, 2) and (N,) of the
    fruit of this row: middle, standard error of it in x and in y, diameter as a disc on the axis
    would show it, relative standard error of it, visible share. `numbers` : (N,) which fruit of the
    photo they are.
    """

    camera: Camera
    side_mm: float
    corners_px: Floats
    corner_error_px: float
    centres_px: Floats
    centre_errors_px: Floats
    discs_px: Floats
    disc_errors: Floats
    shares: Floats
    numbers: Ints

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
    """The geometry of a measured photo and its fruit of this row. `marker` : a reference of it."""
    numbers = [number for number, one in enumerate(measured.fruit) if one.on_this_row]
    fruit = [measured.fruit[number] for number in numbers]
    drawn = np.array([(one.centre_x_px, one.centre_y_px) for one in fruit]).reshape(-1, 2)
    return View(
        camera=camera,
        side_mm=marker.side_mm,
        corners_px=ideal_px(np.array(marker.corners_px), camera),
        corner_error_px=corner_error_px(marker),
        centres_px=ideal_px(drawn, camera),
        centre_errors_px=np.array(
            [centre_error_px(one.width_px, one.visible_share) for one in fruit]
        ),
        discs_px=np.array([one.diameter_px for one in fruit], dtype=np.float64),
        disc_errors=np.array([outline_error(one) for one in fruit], dtype=np.float64),
        shares=np.array([one.visible_share for one in fruit], dtype=np.float64),
        numbers=np.array(numbers, dtype=np.int64),
    )


def corner_error_px(marker: Reference) -> float:
    """Standard error of a marker's corner, px: at least as large as its scale's error says.

    Four corners that err by e make the scale err by e / (√2 side), relatively.
    """
    scale_error = marker.mm_per_px_error / marker.mm_per_px
    return hypot(FLAT_ERROR_PX, sqrt(2.0) * scale_error * marker.side_px)


def outline_error(fruit: Fruit) -> float:
    """Relative standard error of an outline, by the visible share where no more is known."""
    if fruit.diameter_error_px is not None:
        return fruit.diameter_error_px / fruit.diameter_px
    hidden = 1.0 - min(max(fruit.visible_share, 0.0), 1.0)
    return hypot(OUTLINE_ERROR, OUTLINE_HIDDEN_ERROR * hidden)


def centre_error_px(width_px: float, visible_share: float) -> float:
    """Standard error of an outline's middle in one direction, px."""
    hidden = 1.0 - min(max(visible_share, 0.0), 1.0)
    return hypot(CENTRE_ERROR_PX, (CENTRE_SIZE_SHARE + CENTRE_HIDDEN_SHARE * hidden) * width_px)

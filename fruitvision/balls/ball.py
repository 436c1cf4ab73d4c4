"""A ball of stated diameter, measured where somebody or its colour points at it."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import numpy as np
from numpy.typing import NDArray

from fruitvision.balls.outline import Outline, find_outline
from fruitvision.balls.sphere import mm_per_px_of_ball, outline_in_picture
from fruitvision.camera import usual_camera
from fruitvision.domain import Ball, Camera, Doubt, Doubts, Photo
from fruitvision.errors import ReferenceRefused

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# A ball with one of these gives no scale.
UNUSABLE_BALL = (Doubt.BALL_HIDDEN, Doubt.BALL_SMALL)
# Smallest diameter that is measured, px. Our choice: 0.1 px of the edge are 1.7 % of it.
LEAST_BALL_PX = 12.0
# Share of the outline that must be seen; more where blown-out light lies beside it, which has the
# colour of a white ball, and where colour does not tell the ball. In 160 drawn scenes with leaves
# over balls of seven colours the error (root mean square) was 0.4 % where 0.55 or more of the edge
# was seen, 0.8 % from 0.45 to 0.55, 14 % below; where colour does not tell, 5 % from 0.45 to 0.55.
LEAST_SEEN, LEAST_SEEN_BESIDE_SKY, LEAST_SEEN_WITHOUT_COLOUR = 0.45, 0.6, 0.6
_SKY_SHARE = 0.15
# Standard error of the radius, px, where the edge is clean: what tone curve and blur leave.
_EDGE_SD_PX = 0.12
# ... and for what of the edge is not seen, below this share, as a share of the radius.
_CLEAR_SEEN, _UNSEEN_SD = 0.7, 0.03
# Blown-out light eats up to 1.2 px into a ball all around: 1.7 to 4.6 % of 50 px in 8 rendered.
_BLOWN_OUT_SD_PX = 0.9
# What another lens (twice as long) would change is the error then.
_OTHER_LENS = 2.0


def measure_ball(
    image: Image, photo: Photo, box_px: Floats, *, diameter_mm: float, found_by: str
) -> Ball:
    """The ball in a box: its outline, and the scale at the depth of its middle.

    Parameters
    ----------
    image : (H, W, 3) uint8, RGB
    photo : Photo
        Its camera, if known, tells how a ball off the axis is drawn.
    box_px : (4,) float
        x0, y0, x1, y1: around the ball, or around what is seen of it; a few px loose or tight.
    diameter_mm : float
    found_by : str
        "colour" or "person".

    Returns
    -------
    Ball
        With the doubt BALL_HIDDEN or BALL_SMALL if it may not give a scale.

    Raises
    ------
    ReferenceRefused
        If there is no round edge in the box at all.
    """
    outline = outline_of(image, photo, box_px)
    if outline is None:
        x0, y0, x1, y1 = box_px
        raise ReferenceRefused(
            f"No ball is seen in the box x {x0:.0f} to {x1:.0f}, y {y0:.0f} to {y1:.0f} px.",
            fix="Draw the box close around the ball, or leave the ball away.",
        )
    return ball_of(outline, photo, diameter_mm=diameter_mm, found_by=found_by)


def outline_of(image: Image, photo: Photo, box_px: Floats) -> Outline | None:
    """The outline of the ball in a box; None where no circle is found.

    Where the lens is not known, a phone's and a longer one are tried: they draw a ball off the
    axis more and less stretched. The one by which more of its edge is seen is kept.
    """
    if photo.camera is not None:
        return find_outline(image, photo.camera, box_px)
    phone = usual_camera(photo)
    found = [find_outline(image, lens, box_px) for lens in (phone, _longer(phone))]
    outlines = [one for one in found if one is not None]
    return max(outlines, key=lambda one: float(one.seen.mean()), default=None)


def _longer(camera: Camera) -> Camera:
    return replace(camera, focal_px=camera.focal_px * _OTHER_LENS)


def ball_of(outline: Outline, photo: Photo, *, diameter_mm: float, found_by: str) -> Ball:
    """The ball of an outline; arguments as in `measure_ball`."""
    seen = _in_picture(outline, photo)
    mm_per_px = mm_per_px_of_ball(outline.view, outline.radius_px, diameter_mm=diameter_mm)
    error = mm_per_px * _radius_error_px(outline, seen) / outline.radius_px
    if photo.camera is None:
        error = hypot(error, _lens_error(outline, diameter_mm, mm_per_px))
    x, y, long_px, short_px, direction_deg = outline_in_picture(outline.view, outline.radius_px)
    return Ball(
        diameter_mm=diameter_mm,
        centre_x_px=x,
        centre_y_px=y,
        width_px=long_px,
        height_px=short_px,
        angle_deg=direction_deg,
        mm_per_px=mm_per_px,
        mm_per_px_error=error,
        found_by=found_by,
        doubts=_doubts(outline, seen),
    )


def _in_picture(outline: Outline, photo: Photo) -> NDArray[np.bool_]:
    """Rays that show the edge, where it lies in the picture."""
    turn = np.arange(len(outline.seen)) * 2 * np.pi / len(outline.seen)
    around = outline.radius_px * np.column_stack([np.cos(turn), np.sin(turn)])
    last = np.array([photo.width_px - 1, photo.height_px - 1])
    places = outline.view.to_picture(around)
    return outline.seen & ((places >= 0) & (places <= last)).all(axis=1)


def _radius_error_px(outline: Outline, seen: NDArray[np.bool_]) -> float:
    shrink = max(1.0, outline.radius_px / 60)
    hidden = max(_CLEAR_SEEN - float(seen.mean()), 0.0) * _UNSEEN_SD * outline.radius_px
    blown = float((outline.blown_out & seen).sum() / max(seen.sum(), 1)) * _BLOWN_OUT_SD_PX
    return hypot(outline.radius_error_px, _EDGE_SD_PX * shrink, hidden, blown * shrink)


def _lens_error(outline: Outline, diameter_mm: float, mm_per_px: float) -> float:
    """Half of what a lens twice as long would change, mm per px.

    Off the axis the radius in a view is the picture's, across the line to the middle; only the
    cosine of the angle between view and axis depends on the lens.
    """
    camera = outline.view.camera
    tangent = np.sqrt(max(1 / outline.view.off_axis**2 - 1, 0.0)) / _OTHER_LENS
    other = 1 / hypot(1.0, float(tangent))
    angle_px = outline.radius_px * outline.view.off_axis / other
    long = _longer(camera)
    distance_mm = diameter_mm / 2 * hypot(1.0, long.focal_px / other / angle_px)
    return abs(distance_mm * other / long.focal_px - mm_per_px) / 2


def _doubts(outline: Outline, seen: NDArray[np.bool_]) -> Doubts:
    if 2 * outline.radius_px < LEAST_BALL_PX:
        return (Doubt.BALL_SMALL,)
    least = LEAST_SEEN if outline.colour_odds else LEAST_SEEN_WITHOUT_COLOUR
    if float(outline.blown_out.mean()) > _SKY_SHARE:
        least = max(least, LEAST_SEEN_BESIDE_SKY)
    return (Doubt.BALL_HIDDEN,) if float(seen.mean()) < least else ()

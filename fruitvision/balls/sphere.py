"""How a ball is seen: a camera turned to look straight at it, where its outline is a circle."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, hypot, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from fruitvision.camera import drawn_px, rays
from fruitvision.domain import Camera

Floats = NDArray[np.float64]

# Points around an outline that give its ellipse. Our choice.
_AROUND = 64


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """The camera, turned to look straight at one point of its picture.

    Points of a view are px from that point. Across the line to the middle of the picture a view
    has the picture's size; along it the lens's stretch is taken out.

    Parameters
    ----------
    camera : Camera
    axes : (3, 3) float
        Rows: right, down and ahead of the view, in the camera's axes.
    focal_px : float
        Focal length of the view, px.
    """

    camera: Camera
    axes: Floats
    focal_px: float

    @property
    def off_axis(self) -> float:
        """Cosine of the angle between the view and the optical axis."""
        return float(self.axes[2, 2])

    def to_picture(self, points: Floats) -> Floats:
        """(N, 2) px of the view to px of the picture."""
        ahead = np.column_stack([np.asarray(points) / self.focal_px, np.ones(len(points))])
        seen = ahead @ self.axes
        slopes = seen[:, :2] / seen[:, 2:]
        middle = np.array([self.camera.middle_x_px, self.camera.middle_y_px])
        return drawn_px(slopes * self.camera.focal_px + middle, self.camera)


def view_of(camera: Camera, x_px: float, y_px: float) -> View:
    """The view that looks at a point of the picture."""
    ahead = rays(np.array([[x_px, y_px]]), camera)[0]
    right = np.array([ahead[2], 0.0, -ahead[0]]) / hypot(ahead[0], ahead[2])
    axes = np.stack([right, np.cross(ahead, right), ahead])
    return View(camera=camera, axes=axes, focal_px=camera.focal_px / float(ahead[2]))


def mm_per_px_of_ball(view: View, radius_px: float, *, diameter_mm: float) -> float:
    """Depth of the ball's middle over the focal length, from its outline in a view at its middle.

    Parameters
    ----------
    view : View
        Looks at the middle of the outline.
    radius_px : float
        Radius of the outline there, px.
    diameter_mm : float

    Notes
    -----
    A ball of radius r at the distance d is seen under the half angle a, sin a = r / d; its depth
    along the optical axis is d cos t at the angle t off the axis.
    """
    distance_mm = diameter_mm / 2 / sin(atan(radius_px / view.focal_px))
    return distance_mm * view.off_axis / view.camera.focal_px


def outline_in_picture(view: View, radius_px: float) -> tuple[float, float, float, float, float]:
    """Ellipse of a circle around the middle of a view, in the picture, as in `Ball`.

    Returns
    -------
    tuple of float
        Centre x, centre y, long axis, short axis (full lengths, px), direction of the long axis
        (degrees clockwise from +x).

    Notes
    -----
    Points around the circle, mapped to the picture and fitted by the ellipse of least squares
    through x² = a xy + b y² + c x + d y + e; exact without distortion, since the outline is one.
    """
    turn = np.arange(_AROUND) * 2 * np.pi / _AROUND
    around = view.to_picture(radius_px * np.column_stack([np.cos(turn), np.sin(turn)]))
    middle = around.mean(axis=0)
    x, y = ((around - middle) / radius_px).T
    a, b, c, d, e = np.linalg.lstsq(
        np.column_stack([x * y, y**2, x, y, np.ones_like(x)]), x**2, rcond=None
    )[0]
    shape = np.array([[1.0, -a / 2], [-a / 2, -b]])
    centre = np.linalg.solve(shape, [c / 2, d / 2])
    values, directions = np.linalg.eigh(shape / (e + centre @ shape @ centre))
    long, short = (2 * radius_px / sqrt(value) for value in values)
    angle = float(np.degrees(np.arctan2(directions[1, 0], directions[0, 0])))
    x_px, y_px = (float(one) for one in middle + radius_px * centre)
    return x_px, y_px, long, short, (angle + 90) % 180 - 90

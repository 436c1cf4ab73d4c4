"""A phone's camera with its lens, and the full outline of an ellipsoid in its picture.

World: millimetres, x along the row, y up, z across the row towards face A.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.simulate.picture.dials import check_number

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Vector = tuple[float, float, float]


# Beyond this many times the half diagonal the lens stretches no further: far outside the picture
# the polynomial of a lens would fold back into it. Our choice.
STRETCH_ENDS = 1.15


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraDials:
    """Phone and where it is held. Our choice, where no source is named.

    `focal_35mm` : 35 mm equivalent of the main lens of most phones; `k1`, `k2` : radial distortion
    of the lens (Brown's model as OpenCV writes it; of a phone's finished photo about -0.02 to 0.02,
    from memory); `distance_mm`, `height_mm` : from the trunk and above the ground; `step_mm` : how
    far along the row, towards the sheet, the next photo of the same face is taken; `place_sd_mm` :
    how far a hand is off along the row, in height and in distance; `turn_sd_deg` : likewise in yaw,
    pitch and roll.
    """

    width_px: int = 1500
    height_px: int = 2000
    focal_35mm: float = 26.0
    k1: float = 0.0
    k2: float = 0.0
    distance_mm: float = 2300.0
    height_mm: float = 1400.0
    step_mm: float = 400.0
    place_sd_mm: tuple[float, float, float] = (35.0, 25.0, 35.0)
    turn_sd_deg: tuple[float, float, float] = (1.0, 0.9, 0.7)

    def __post_init__(self) -> None:
        check_number("camera.width_px", self.width_px, 16, 12000)
        check_number("camera.height_px", self.height_px, 16, 12000)
        check_number("camera.focal_35mm", self.focal_35mm, 12.0, 200.0)
        check_number("camera.k1", self.k1, -0.05, 0.05)
        check_number("camera.k2", self.k2, -0.05, 0.05)
        check_number("camera.distance_mm", self.distance_mm, 800.0, 6000.0)
        check_number("camera.height_mm", self.height_mm, 300.0, 3500.0)
        check_number("camera.step_mm", self.step_mm, 0.0, 3000.0)
        for sd in self.place_sd_mm:
            check_number("camera.place_sd_mm", sd, 0.0, 300.0)
        for sd in self.turn_sd_deg:
            check_number("camera.turn_sd_deg", sd, 0.0, 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Where the phone is, where it looks, its focal length in px of the upright picture, its lens.

    A point at r times the focal length from the axis is drawn at r (1 + k1 r² + k2 r⁴): Brown's
    radial model, as in OpenCV's calib3d.
    """

    position_mm: Vector
    forward: Vector
    up: Vector
    focal_px: float
    width_px: int
    height_px: int
    k1: float = 0.0
    k2: float = 0.0

    def axes(self) -> Floats:
        """(3, 3): the unit vectors right, down and forward as rows, in world coordinates."""
        forward = np.array(self.forward) / np.linalg.norm(self.forward)
        right = np.cross(forward, np.array(self.up))
        right = right / np.linalg.norm(right)
        return np.stack([right, np.cross(forward, right), forward])

    def matrix(self) -> Floats:
        """(3, 3) from camera coordinates to homogeneous pixels; pixel (0, 0) is a centre."""
        return np.array(
            [
                [self.focal_px, 0.0, (self.width_px - 1) / 2.0],
                [0.0, self.focal_px, (self.height_px - 1) / 2.0],
                [0.0, 0.0, 1.0],
            ]
        )

    def seen_from(self, points_mm: Floats) -> Floats:
        """(N, 3) world points in camera coordinates: right, down, depth, mm."""
        return np.asarray((points_mm - np.array(self.position_mm)) @ self.axes().T)

    def project(self, points_mm: Floats) -> Floats:
        """(N, 2) pixels of (N, 3) world points; points must lie in front of the camera."""
        seen = self.seen_from(points_mm)
        return self.distort(seen[:, :2] / seen[:, 2:])

    def distort(self, slopes: Floats) -> Floats:
        """(N, 2) pixels at which the lens draws rays of (N, 2) slopes: right and down by depth."""
        middle = self.matrix()[:2, 2]
        return middle + self.focal_px * slopes * self._stretch(np.linalg.norm(slopes, axis=1))

    def undistort(self, pixels: Floats) -> Floats:
        """(N, 2) slopes of the rays that are drawn at (N, 2) pixels; inverse of `distort`."""
        drawn = (pixels - self.matrix()[:2, 2]) / self.focal_px
        slopes = drawn
        # The stretch differs from 1 by some hundredths, so each round adds more than one digit.
        for _ in range(30):
            slopes = drawn / self._stretch(np.linalg.norm(slopes, axis=1))
        return np.asarray(slopes)

    def bent(self, points_mm: Floats) -> Floats:
        """(N, 3) places at which a pinhole without this lens would see (N, 3) points alike.

        Each point moves square to the axis, so that what hides what stays the same.
        """
        if self.k1 == 0.0 and self.k2 == 0.0:
            return points_mm
        seen = self.seen_from(points_mm)
        depth = np.maximum(seen[:, 2], 1e-6)
        seen[:, :2] *= self._stretch(np.linalg.norm(seen[:, :2], axis=1) / depth)
        return np.asarray(seen @ self.axes() + np.array(self.position_mm))

    def _stretch(self, slope: Floats) -> Floats:
        """(N, 1) factor by which the lens moves rays of (N,) slopes away from the axis."""
        end = STRETCH_ENDS * np.hypot(self.width_px, self.height_px) / 2.0 / self.focal_px
        square = np.minimum(slope, end)[:, None] ** 2
        return np.asarray(1.0 + self.k1 * square + self.k2 * square**2)


def outlines(camera: Camera, centres_mm: Floats, shapes_mm2: Floats) -> Floats:
    """Full outlines of ellipsoids: the ellipses of their dual conics, drawn by the lens.

    Parameters
    ----------
    camera : Camera
    centres_mm : (N, 3) float
        Centres in world coordinates, all deeper than the ellipsoid is large.
    shapes_mm2 : (N, 3, 3) float
        Shape matrices S: the surface is (x - c)^T S^-1 (x - c) = 1.

    Returns
    -------
    (N, 5) float
        Centre x, centre y, long axis, short axis (full lengths, px), direction of the long axis
        in degrees clockwise from +x, from -90 to below 90.

    Notes
    -----
    A quadric with dual Q seen by a camera P has the outline with dual conic P Q P^T (Hartley and
    Zisserman, Multiple View Geometry, 2nd edition, chapter 8). The lens then moves the ellipse by
    its own slope at the ellipse's centre: an ellipse of a mild lens stays an ellipse to within
    some hundredths of a px.
    """
    axes = camera.axes()
    centres = camera.seen_from(centres_mm)
    shapes = axes @ shapes_mm2 @ axes.T
    conic = shapes - centres[:, :, None] * centres[:, None, :]
    conic = conic / -conic[:, 2:, 2:]
    middle = -conic[:, :2, 2]
    flat = conic[:, :2, :2] + middle[:, :, None] * middle[:, None, :]
    drawn, slope = _through_lens(camera, middle)
    flat = slope @ flat @ slope.transpose(0, 2, 1)
    squares, directions = np.linalg.eigh(flat)
    long_x, long_y = directions[:, 0, 1], directions[:, 1, 1]
    angle = np.degrees(np.arctan2(long_y, long_x))
    angle = (angle + 90.0) % 180.0 - 90.0
    lengths = 2.0 * np.sqrt(squares)
    return np.column_stack([drawn, lengths[:, 1], lengths[:, 0], angle])


def _through_lens(camera: Camera, middles: Floats) -> tuple[Floats, Floats]:
    """(N, 2) pixels of slopes, and (N, 2, 2) how fast the pixels move with the slopes."""
    step = 1e-5
    slope = np.empty((len(middles), 2, 2))
    for axis in (0, 1):
        aside = np.eye(2)[axis] * step
        ahead, back = camera.distort(middles + aside), camera.distort(middles - aside)
        slope[:, :, axis] = (ahead - back) / (2.0 * step)
    return camera.distort(middles), slope


def ellipsoid_shapes(turns: Floats, diameters_mm: Floats, heights_mm: Floats) -> Floats:
    """(N, 3, 3) shape matrices of fruit as wide as `diameters_mm` and as high as `heights_mm`.

    `turns` : (N, 3, 3) rotations from the fruit's own axes (y from calyx to stem) to the world.
    """
    half = np.stack([diameters_mm, heights_mm, diameters_mm], axis=1) / 2.0
    return np.asarray(np.einsum("nij,nj,nkj->nik", turns, half**2, turns))


def turns_about(axes: Floats, angles_rad: Floats) -> Floats:
    """(N, 3, 3) rotations about (N, 3) axes by (N,) angles (Rodrigues' formula)."""
    unit = axes / np.linalg.norm(axes, axis=1, keepdims=True)
    cross = np.zeros((len(unit), 3, 3))
    cross[:, 0, 1], cross[:, 0, 2] = -unit[:, 2], unit[:, 1]
    cross[:, 1, 0], cross[:, 1, 2] = unit[:, 2], -unit[:, 0]
    cross[:, 2, 0], cross[:, 2, 1] = -unit[:, 1], unit[:, 0]
    sine = np.sin(angles_rad)[:, None, None]
    cosine = np.cos(angles_rad)[:, None, None]
    return np.asarray(np.eye(3) + sine * cross + (1.0 - cosine) * (cross @ cross))


def hold_camera(dials: CameraDials, towards: float, step: int, rng: np.random.Generator) -> Camera:
    """Camera of one photo, held by hand; `towards` is the sign of z on its side of the row."""
    x, height, distance = rng.normal(
        (step * dials.step_mm, dials.height_mm, dials.distance_mm), dials.place_sd_mm
    )
    yaw, pitch, roll = np.radians(rng.normal(0.0, dials.turn_sd_deg))
    forward = (float(np.sin(yaw)), float(np.sin(pitch)), float(-towards * np.cos(yaw)))
    diagonal_px = float(np.hypot(dials.width_px, dials.height_px))
    return Camera(
        position_mm=(x, height, towards * distance),
        forward=forward,
        up=(float(np.sin(roll)), float(np.cos(roll)), 0.0),
        # 43.2666 mm is the diagonal of 36 mm x 24 mm film (CIPA DCG-001).
        focal_px=dials.focal_35mm / 43.2666 * diagonal_px,
        width_px=dials.width_px,
        height_px=dials.height_px,
        k1=dials.k1,
        k2=dials.k2,
    )

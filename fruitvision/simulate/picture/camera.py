"""A pinhole camera, and the full outline of an ellipsoid in its picture.

World: millimetres, x along the row, y up, z across the row towards face A.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraDials:
    """Phone and where it is held. Our choice, where no source is named.

    `focal_35mm` : 35 mm equivalent of the main lens of most phones; `distance_mm`, `height_mm` :
    from the trunk and above the ground; `step_mm` : how far along the row the next photo of the
    same face is taken.
    """

    width_px: int = 1500
    height_px: int = 2000
    focal_35mm: float = 26.0
    distance_mm: float = 2300.0
    height_mm: float = 1400.0
    step_mm: float = 400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Where the phone is, where it looks, and its focal length in px of the upright picture."""

    position_mm: Vector
    forward: Vector
    up: Vector
    focal_px: float
    width_px: int
    height_px: int

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
        homogeneous = self.seen_from(points_mm) @ self.matrix().T
        return np.asarray(homogeneous[:, :2] / homogeneous[:, 2:])


def outlines(camera: Camera, centres_mm: Floats, shapes_mm2: Floats) -> Floats:
    """Full outlines of ellipsoids: the ellipses of their dual conics.

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
    Zisserman, Multiple View Geometry, 2nd edition, chapter 8).
    """
    axes = camera.axes()
    centres = camera.seen_from(centres_mm)
    shapes = axes @ shapes_mm2 @ axes.T
    dual = shapes - centres[:, :, None] * centres[:, None, :]
    conic = camera.matrix() @ dual @ camera.matrix().T
    conic = conic / -conic[:, 2:, 2:]
    middle = -conic[:, :2, 2]
    flat = conic[:, :2, :2] + middle[:, :, None] * middle[:, None, :]
    squares, directions = np.linalg.eigh(flat)
    long_x, long_y = directions[:, 0, 1], directions[:, 1, 1]
    angle = np.degrees(np.arctan2(long_y, long_x))
    angle = (angle + 90.0) % 180.0 - 90.0
    lengths = 2.0 * np.sqrt(squares)
    return np.column_stack([middle, lengths[:, 1], lengths[:, 0], angle])


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
        (step * dials.step_mm, dials.height_mm, dials.distance_mm), (35.0, 25.0, 35.0)
    )
    yaw, pitch, roll = np.radians(rng.normal(0.0, (1.0, 0.9, 0.7)))
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
    )

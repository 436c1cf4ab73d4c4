"""Where a camera stands before a marker: the two poses that a square's picture allows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Camera

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """A point x of the marker's frame is seen at `turn` @ x + `place`, mm: right, down, depth.

    The marker's frame has its origin in the middle of the sheet, x right, y up, z towards the
    reader. `turn` : (3, 3) rotation; `place` : (3,), the marker's middle as the camera sees it.
    """

    turn: Floats
    place: Floats

    @property
    def camera_mm(self) -> Floats:
        """(3,) where the camera stands in the marker's frame."""
        return np.asarray(-self.turn.T @ self.place)


def square_mm(side_mm: float) -> Floats:
    """(4, 3) corners of the marker in its frame: top left, top right, bottom right, bottom left."""
    half = side_mm / 2
    return np.array(
        [(-half, half, 0.0), (half, half, 0.0), (half, -half, 0.0), (-half, -half, 0.0)]
    )


def marker_poses(corners_px: Floats, camera: Camera, side_mm: float) -> tuple[Pose, ...]:
    """One or two poses that explain the corners, the better first.

    Parameters
    ----------
    corners_px : (4, 2) float
        Ideal px, in the order of `square_mm`.
    camera : Camera
    side_mm : float

    Returns
    -------
    tuple of Pose
        Those with the marker before the camera.

    References
    ----------
    Collins and Bartoli 2014, infinitesimal plane-based pose estimation, as in OpenCV.
    """
    lens = np.array(
        [
            [camera.focal_px, 0.0, camera.middle_x_px],
            [0.0, camera.focal_px, camera.middle_y_px],
            [0.0, 0.0, 1.0],
        ]
    )
    _, turns, places, _ = cv2.solvePnPGeneric(
        square_mm(side_mm),
        np.ascontiguousarray(corners_px, dtype=np.float64).reshape(4, 1, 2),
        lens,
        np.zeros(4),
        flags=cv2.SOLVEPNP_IPPE_SQUARE,
    )
    poses = (
        Pose(turn=np.asarray(cv2.Rodrigues(turn)[0]), place=np.ravel(place))
        for turn, place in zip(turns, places, strict=True)
    )
    return tuple(pose for pose in poses if pose.place[2] > 0 and np.isfinite(pose.turn).all())


def turned(turn: Floats, vector_rad: Floats) -> Floats:
    """(..., 3, 3) `turn` followed by turns of (..., 3) rotation vectors (Rodrigues' formula)."""
    vector = np.asarray(vector_rad, dtype=np.float64)
    angle = np.linalg.norm(vector, axis=-1)[..., None, None]
    cross = cross_matrix(vector)
    # sin(a)/a and (1 - cos a)/a², by their limits where the angle is 0.
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2
    return np.asarray((np.eye(3) + first * cross + second * (cross @ cross)) @ turn)


def cross_matrix(vector: Floats) -> Floats:
    """(..., 3, 3): its product with a column is the cross product of (..., 3) with it."""
    x, y, z = np.moveaxis(np.asarray(vector, dtype=np.float64), -1, 0)
    cross = np.zeros((*x.shape, 3, 3))
    cross[..., 0, 1], cross[..., 0, 2] = -z, y
    cross[..., 1, 0], cross[..., 1, 2] = z, -x
    cross[..., 2, 0], cross[..., 2, 1] = -y, x
    return cross

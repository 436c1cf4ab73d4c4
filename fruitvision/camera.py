"""Where a lens draws what it sees: pixels to rays, and pictures freed of the lens's bend.

`domain.Camera` in numbers: a pinhole, then the distortion k1, k2, p1, p2, k3 of Brown (1971) in
the order and the signs of OpenCV's documentation of `calib3d`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import hypot

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Camera, Photo

Floats = NDArray[np.float64]

# Lens taken where the photo names none. Our choice: main cameras of phones have 23 to 28 mm.
_PHONE_LENS_35MM = 26.0
_DIAGONAL_35MM = 43.2666
# Newton's steps back through the distortion. A lens that moves points by a fifth needs 5 of them.
_STEPS = 20
_CLOSE = 1e-12
# Points around an outline. Our choice: what is left out are bends of its 3rd order and more.
_AROUND = 24


def usual_camera(photo: Photo) -> Camera:
    """A phone's main camera, for a photo that names none."""
    return Camera(
        focal_px=_PHONE_LENS_35MM / _DIAGONAL_35MM * hypot(photo.width_px, photo.height_px),
        middle_x_px=(photo.width_px - 1) / 2,
        middle_y_px=(photo.height_px - 1) / 2,
    )


def ideal_px(points: Floats, camera: Camera) -> Floats:
    """Points as the ideal pinhole of the same focal length and middle would draw them.

    Parameters
    ----------
    points : (N, 2) float
        x and y as the lens drew them, px.
    camera : Camera

    Returns
    -------
    (N, 2) float
        px; the points themselves where the lens has no distortion.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    if not any(camera.distortion):
        return points.copy()
    return _to_px(_straight(_to_slopes(points, camera), camera), camera)


def drawn_px(points: Floats, camera: Camera) -> Floats:
    """Points of the ideal pinhole as the lens draws them, px: the inverse of `ideal_px`.

    Parameters
    ----------
    points : (N, 2) float
        x and y of the ideal pinhole, px.
    camera : Camera

    Returns
    -------
    (N, 2) float
        px.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    if not any(camera.distortion):
        return points.copy()
    return _to_px(_bend(_to_slopes(points, camera), camera), camera)


def rays(points: Floats, camera: Camera) -> Floats:
    """Directions from which the lens drew (N, 2) points, px.

    Returns
    -------
    (N, 3) float
        Of length 1; x right, y down, z along the optical axis.
    """
    slopes = _to_slopes(ideal_px(points, camera), camera)
    ahead = np.column_stack([slopes, np.ones(len(slopes))])
    return np.asarray(ahead / np.linalg.norm(ahead, axis=1, keepdims=True))


def ideal_outlines(outlines: Floats, camera: Camera) -> Floats:
    """Ellipses as the ideal pinhole would draw them.

    Parameters
    ----------
    outlines : (N, 5) float
        Ellipses as the lens drew them: centre x, centre y, long axis, short axis (full lengths,
        px), direction of the long axis (degrees clockwise from +x).
    camera : Camera

    Returns
    -------
    (N, 5) float
        As above, the direction within 0 to 180.

    Notes
    -----
    Points around each outline are straightened. Their first harmonic is the ellipse that fits
    them best (Kuhl and Giardina 1982, elliptic Fourier features).
    """
    return _moved(outlines, lambda points: ideal_px(points, camera))


def drawn_outlines(outlines: Floats, camera: Camera) -> Floats:
    """Ellipses of the ideal pinhole as the lens draws them: the inverse of `ideal_outlines`.

    Parameters
    ----------
    outlines : (N, 5) float
        As in `ideal_outlines`.
    camera : Camera

    Returns
    -------
    (N, 5) float
    """
    return _moved(outlines, lambda points: drawn_px(points, camera))


# ---------------------------------------------------------------- other pictures of one lens


def scaled(camera: Camera, factor: float) -> Camera:
    """The camera of the same picture with `factor` times as many px a side."""
    return replace(
        camera,
        focal_px=camera.focal_px * factor,
        # Pixel centres are whole numbers: the picture begins at -0.5.
        middle_x_px=(camera.middle_x_px + 0.5) * factor - 0.5,
        middle_y_px=(camera.middle_y_px + 0.5) * factor - 0.5,
    )


def zoomed(camera: Camera, zoom: float, *, width_px: int, height_px: int) -> Camera:
    """The camera of the middle 1 / `zoom` of a picture, enlarged to the picture's own size."""
    centre_x, centre_y = (width_px - 1) / 2, (height_px - 1) / 2
    return replace(
        camera,
        focal_px=camera.focal_px * zoom,
        middle_x_px=centre_x + (camera.middle_x_px - centre_x) * zoom,
        middle_y_px=centre_y + (camera.middle_y_px - centre_y) * zoom,
    )


def turned(camera: Camera, degrees: int, *, width_px: int, height_px: int) -> Camera:
    """The camera of a picture of that size after it was turned clockwise by 0, 90, 180 or 270.

    Notes
    -----
    The tangential part of the distortion is the vector (p2, p1): it turns with the picture.
    """
    k1, k2, p1, p2, k3 = camera.distortion
    x, y = camera.middle_x_px, camera.middle_y_px
    for _ in range(degrees // 90):
        x, y = height_px - 1 - y, x
        p1, p2 = p2, -p1
        width_px, height_px = height_px, width_px
    return replace(camera, middle_x_px=x, middle_y_px=y, distortion=(k1, k2, p1, p2, k3))


def centred(camera: Camera, *, width_px: int, height_px: int) -> Camera:
    """The camera with its axis in the middle of a picture of that size, all bend radial.

    For a picture of which nothing says how it was turned.
    """
    k1, k2, _, _, k3 = camera.distortion
    return replace(
        camera,
        middle_x_px=(width_px - 1) / 2,
        middle_y_px=(height_px - 1) / 2,
        distortion=(k1, k2, 0.0, 0.0, k3),
    )


# ---------------------------------------------------------------- ellipses


def _moved(outlines: Floats, move: Callable[[Floats], Floats]) -> Floats:
    """Ellipses that fit best what becomes of the points around each; as they are if none moves."""
    outlines = np.asarray(outlines, dtype=np.float64).reshape(-1, 5)
    turn = np.arange(_AROUND) * 2 * np.pi / _AROUND
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    around = np.einsum("nij,kj->nki", _half_axes(outlines), circle) + outlines[:, None, :2]
    moved = move(around.reshape(-1, 2)).reshape(around.shape)
    if np.array_equal(moved, around):
        return outlines.copy()
    halves = np.einsum("nki,kj->nij", moved, circle) * 2 / _AROUND
    return _from_half_axes(moved.mean(axis=1), halves)


def _half_axes(outlines: Floats) -> Floats:
    """(N, 2, 2): columns are the half axes; they map the unit circle onto the outline."""
    angle = np.radians(outlines[:, 4])
    along = np.column_stack([np.cos(angle), np.sin(angle)])
    across = np.column_stack([-np.sin(angle), np.cos(angle)])
    halves = outlines[:, 2:4, None] / 2
    return np.stack([along * halves[:, 0], across * halves[:, 1]], axis=2)


def _from_half_axes(centres: Floats, halves: Floats) -> Floats:
    """(N, 5) ellipses from their centres and any (N, 2, 2) maps of the unit circle onto them."""
    directions, lengths, _ = np.linalg.svd(halves)
    angle = np.degrees(np.arctan2(directions[:, 1, 0], directions[:, 0, 0])) % 180
    return np.column_stack([centres, 2 * lengths, angle])


# ---------------------------------------------------------------- the lens


def _to_slopes(points: Floats, camera: Camera) -> Floats:
    middle = np.array([camera.middle_x_px, camera.middle_y_px])
    return np.asarray((points - middle) / camera.focal_px)


def _to_px(slopes: Floats, camera: Camera) -> Floats:
    return np.asarray(slopes * camera.focal_px + np.array([camera.middle_x_px, camera.middle_y_px]))


def _bend(slopes: Floats, camera: Camera) -> Floats:
    """(N, 2) slopes of rays to where they are drawn, in focal lengths."""
    k1, k2, p1, p2, k3 = camera.distortion
    x, y = slopes.T
    square = x * x + y * y
    radial = 1 + square * (k1 + square * (k2 + square * k3))
    return np.column_stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (square + 2 * x * x),
            y * radial + p1 * (square + 2 * y * y) + 2 * p2 * x * y,
        ]
    )


def _bend_slope(slopes: Floats, camera: Camera) -> Floats:
    """(N, 2, 2): derivative of `_bend`. It is symmetric."""
    k1, k2, p1, p2, k3 = camera.distortion
    x, y = slopes.T
    square = x * x + y * y
    radial = 1 + square * (k1 + square * (k2 + square * k3))
    rise = 2 * (k1 + square * (2 * k2 + square * 3 * k3))
    x_by_x = radial + x * x * rise + 2 * p1 * y + 6 * p2 * x
    y_by_y = radial + y * y * rise + 6 * p1 * y + 2 * p2 * x
    x_by_y = x * y * rise + 2 * p1 * x + 2 * p2 * y
    return np.stack([np.stack([x_by_x, x_by_y], 1), np.stack([x_by_y, y_by_y], 1)], 2)


def _straight(drawn: Floats, camera: Camera) -> Floats:
    """Inverse of `_bend`, by Newton's method."""
    slopes = drawn.copy()
    for _ in range(_STEPS):
        rest = drawn - _bend(slopes, camera)
        if not rest.size or abs(rest).max() < _CLOSE:
            break
        slopes = slopes + np.linalg.solve(_bend_slope(slopes, camera), rest[..., None])[..., 0]
    return slopes

"""Pictures with known truth: printed markers at any pose, balls of known mm, leaves, noise.

A scene is drawn in linear light by casting rays through a pinhole camera (several per pixel),
blurred there as a lens would, given noise, and stored as sRGB. Camera axes: x to the right, y
down, z away from the camera; lengths in mm. The truth for a scale is `Z / focal_px`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import cos, radians, sin

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Photo

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# Reflectance of printed black and of paper. Common values for a laser print.
BLACK, PAPER = 0.04, 0.85
# A 36h11 tag is 8 cells wide with its black border; we draw one white cell around it.
CELLS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Pinhole camera whose principal point is the middle of the picture."""

    width_px: int = 1200
    height_px: int = 900
    focal_px: float = 1000.0

    @property
    def centre_px(self) -> tuple[float, float]:
        return (self.width_px - 1) / 2, (self.height_px - 1) / 2

    @property
    def focal_35mm(self) -> float:
        """What a phone would write as FocalLengthIn35mmFilm, unrounded."""
        return self.focal_px * 43.2666 / float(np.hypot(self.width_px, self.height_px))


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """Printed marker. `tilt_deg` turns it out of the picture plane about `tilt_axis_deg`."""

    centre_mm: tuple[float, float, float]
    side_mm: float = 150.0
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 0.0
    roll_deg: float = 0.0
    marker_id: int = 7
    light: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ball:
    """Fruit: `diameter_mm` across the cheeks, flattened along the upright y axis by `flatness`."""

    centre_mm: tuple[float, float, float]
    diameter_mm: float
    flatness: float = 1.0
    colour: tuple[float, float, float] = (0.45, 0.03, 0.03)


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaf:
    """Flat ellipse parallel to the picture: covers what lies behind it."""

    centre_mm: tuple[float, float, float]
    length_mm: float = 80.0
    width_mm: float = 40.0
    roll_deg: float = 0.0
    colour: tuple[float, float, float] = (0.05, 0.13, 0.02)


Thing = Marker | Ball | Leaf


def photo_of(camera: Camera, *, lens_known: bool = True) -> Photo:
    """Photo record for a scene of that camera."""
    return Photo(
        photo_id="0" * 64,
        name="scene.png",
        width_px=camera.width_px,
        height_px=camera.height_px,
        taken_at=datetime.fromisoformat("2026-08-11T10:00:00+02:00"),
        focal_35mm=camera.focal_35mm if lens_known else None,
        sharpness=1.0,
        brightness=0.4,
    )


def draw_scene(
    camera: Camera,
    things: tuple[Thing, ...],
    *,
    seed: int = 0,
    blur_px: float = 0.6,
    noise: float = 0.01,
    tone: float = 1.0,
    rays_per_side: int = 5,
) -> Image:
    """Picture of `things` before foliage.

    Parameters
    ----------
    camera : Camera
    things : tuple of Marker, Ball or Leaf
        Drawn far to near.
    seed : int
        Of foliage and noise.
    blur_px : float
        Gaussian sigma of the lens, applied in linear light.
    noise : float
        Standard deviation of each channel, share of full scale, after the sRGB curve.
    tone : float
        Exponent on the stored values: bends the tone curve away from sRGB.
    rays_per_side : int
        Rays per pixel are the square of it.

    Returns
    -------
    (H, W, 3) uint8, RGB
    """
    rng = np.random.default_rng(seed)
    light = _foliage(camera, rng)
    for thing in sorted(things, key=lambda one: -one.centre_mm[2]):
        _paint(light, camera, thing, rays_per_side)
    if blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), blur_px).astype(np.float64)
    stored = to_srgb(light) ** tone + rng.normal(0, noise, light.shape)
    return np.clip(np.round(stored * 255), 0, 255).astype(np.uint8)


def to_srgb(light: Floats) -> Floats:
    """Linear light to stored values, both 0 to 1 (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def true_corners_px(camera: Camera, marker: Marker) -> Floats:
    """(4, 2) float: top left, top right, bottom right, bottom left as printed."""
    half = marker.side_mm / 2
    square = np.array([(-half, -half, 1), (half, -half, 1), (half, half, 1), (-half, half, 1)])
    seen = square @ _plane_to_picture(camera, _axes(marker), marker.centre_mm).T
    return np.asarray(seen[:, :2] / seen[:, 2:])


def true_outline_px(camera: Camera, ball: Ball) -> Floats:
    """(5,) float: outline as centre x, centre y, long axis, short axis (px), direction (deg).

    From the dual quadric: an ellipsoid Q* is seen by a camera P as the conic P Q* P'.
    """
    half = np.array([1, ball.flatness, 1]) * ball.diameter_mm / 2
    centre = np.array(ball.centre_mm)
    dual = np.diag([*half**2, 0.0]) - np.outer([*centre, 1], [*centre, 1])
    view = _camera_matrix(camera) @ np.eye(3, 4)
    conic = np.linalg.inv(view @ dual @ view.T)
    middle = -np.linalg.solve(conic[:2, :2], conic[:2, 2])
    height = conic[2, 2] + conic[2, :2] @ middle
    values, vectors = np.linalg.eigh(conic[:2, :2] / -height)
    short, long = sorted(2 / np.sqrt(values))
    direction = vectors[:, np.argmin(values)]
    angle = np.degrees(np.arctan2(direction[1], direction[0]))
    return np.array([*middle, long, short, (angle + 90) % 180 - 90])


def _camera_matrix(camera: Camera) -> Floats:
    centre_x, centre_y = camera.centre_px
    return np.array([[camera.focal_px, 0, centre_x], [0, camera.focal_px, centre_y], [0, 0, 1.0]])


def _axes(thing: Marker | Leaf) -> Floats:
    """(3, 3) float: the columns are the plane's right, down and away directions."""
    roll = radians(thing.roll_deg)
    turn = np.array([[cos(roll), -sin(roll), 0], [sin(roll), cos(roll), 0], [0, 0, 1.0]])
    if isinstance(thing, Leaf):
        return turn
    axis = radians(thing.tilt_axis_deg)
    tilt, _ = cv2.Rodrigues(np.array([cos(axis), sin(axis), 0]) * radians(thing.tilt_deg))
    return np.asarray(tilt @ turn, dtype=np.float64)


def _plane_to_picture(
    camera: Camera, axes: Floats, centre_mm: tuple[float, float, float]
) -> Floats:
    plane = np.column_stack([axes[:, 0], axes[:, 1], centre_mm])
    return np.asarray(_camera_matrix(camera) @ plane)


def _foliage(camera: Camera, rng: np.random.Generator) -> Floats:
    """Blotches of green in several sizes, dark enough to stand behind everything."""
    shape = (camera.height_px, camera.width_px)
    field = np.zeros(shape)
    for size in (4, 12, 40, 120):
        small = rng.normal(size=(shape[0] // size + 2, shape[1] // size + 2))
        field += cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)
    shade = 0.10 * np.exp(0.45 * field)
    return np.asarray(np.clip(shade[..., None] * np.array([0.6, 1.0, 0.3]), 0, 1))


def _paint(light: Floats, camera: Camera, thing: Thing, rays_per_side: int) -> None:
    """Blend one thing into `light`, in place."""
    corners = _reach_px(camera, thing)
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 2, 0)
    limit = np.array([camera.width_px, camera.height_px])
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 3, limit)
    if (high <= low).any():
        return
    wide, tall = high - low
    steps = (np.arange(rays_per_side) + 0.5) / rays_per_side - 0.5
    x = (np.arange(low[0], high[0])[:, None] + steps).ravel()
    y = (np.arange(low[1], high[1])[:, None] + steps).ravel()
    colour, covered = _seen(camera, thing, *np.meshgrid(x, y))
    blocks = (tall, rays_per_side, wide, rays_per_side)
    share = covered.reshape(blocks).mean(axis=(1, 3))[..., None]
    paint = (colour * covered[..., None]).reshape(*blocks, 3).mean(axis=(1, 3))
    window = light[low[1] : high[1], low[0] : high[0]]
    window *= 1 - share
    window += paint


def _reach_px(camera: Camera, thing: Thing) -> Floats:
    """Points whose bounding box holds the thing."""
    if isinstance(thing, Ball):
        x, y, long, *_ = true_outline_px(camera, thing)
        return np.array([(x - long / 2, y - long / 2), (x + long / 2, y + long / 2)])
    half_x, half_y = _half_size_mm(thing)
    rim = np.array([(i * half_x, j * half_y, 1) for i in (-1, 1) for j in (-1, 1)])
    seen = rim @ _plane_to_picture(camera, _axes(thing), thing.centre_mm).T
    return np.asarray(seen[:, :2] / seen[:, 2:])


def _half_size_mm(thing: Marker | Leaf) -> tuple[float, float]:
    if isinstance(thing, Leaf):
        return thing.length_mm / 2, thing.width_mm / 2
    half = thing.side_mm / 2 * (CELLS + 2) / CELLS
    return half, half


def _seen(
    camera: Camera, thing: Thing, x_px: Floats, y_px: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Colour (..., 3) and coverage (...) where the rays through the pixels meet the thing."""
    rays = np.stack([x_px, y_px, np.ones_like(x_px)], axis=-1)
    if isinstance(thing, Ball):
        return _seen_ball(thing, rays @ np.linalg.inv(_camera_matrix(camera)).T)
    plane = rays @ np.linalg.inv(_plane_to_picture(camera, _axes(thing), thing.centre_mm)).T
    right, down = plane[..., 0] / plane[..., 2], plane[..., 1] / plane[..., 2]
    half_x, half_y = _half_size_mm(thing)
    if isinstance(thing, Leaf):
        inside = (right / half_x) ** 2 + (down / half_y) ** 2 <= 1
        return np.broadcast_to(np.array(thing.colour), (*inside.shape, 3)), inside
    inside = (abs(right) <= half_x) & (abs(down) <= half_y)
    bits = np.pad(_marker_bits(thing.marker_id), 1, constant_values=True)
    cell = 2 * half_x / (CELLS + 2)
    column = np.clip((right + half_x) // cell, 0, CELLS + 1).astype(int)
    row = np.clip((down + half_y) // cell, 0, CELLS + 1).astype(int)
    grey = np.where(bits[row, column], PAPER, BLACK) * thing.light
    return np.repeat(grey[..., None], 3, axis=-1), inside


def _marker_bits(marker_id: int) -> NDArray[np.bool_]:
    """(8, 8) bool: True where the marker is white."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, marker_id, CELLS)) > 127


def _seen_ball(ball: Ball, rays: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Lambert shading under light from the upper left."""
    half = np.array([1, ball.flatness, 1]) * ball.diameter_mm / 2
    ray, start = rays / half, -np.array(ball.centre_mm) / half
    a, b, c = (ray**2).sum(-1), ray @ start, start @ start - 1
    inside = b**2 >= a * c
    depth = (-b - np.sqrt(np.maximum(b**2 - a * c, 0))) / a
    normal = (ray * depth[..., None] + start) / half
    normal /= np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-9)
    towards_light = np.array([-0.4, -0.6, -0.7]) / np.linalg.norm([0.4, 0.6, 0.7])
    shade = 0.35 + 0.65 * np.clip(normal @ towards_light, 0, 1)
    return shade[..., None] * np.array(ball.colour), inside

"""A drawn canopy of known fruit, and what photos from several places would measure of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from fruitvision.domain import Fruit, MeasuredPhoto, Photo, Reference, Scale
from fruitvision.simulate.picture.camera import Camera, ellipsoid_shapes, outlines
from fruitvision.views.pose import Floats, square_mm
from tests.records import MADE_WITH

WIDTH_PX, HEIGHT_PX, LENS_35MM = 1800, 2400, 26.0
FOCAL_PX = LENS_35MM / 43.2666 * float(np.hypot(WIDTH_PX, HEIGHT_PX))
SIDE_MM = 150.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Canopy:
    """Fruit of a tree face and its marker, mm: x along the row, y up, z towards the cameras."""

    centres_mm: Floats
    diameters_mm: Floats
    marker_mm: Floats


@dataclass(frozen=True, kw_only=True)
class Noise:
    """Errors of what is measured: of corners and centres in px, of outlines as a share, share of
    the fruit that is missed, number of finds that are no fruit."""

    corner_px: float = 0.1
    centre_px: float = 0.8
    outline_share: float = 0.04
    missed: float = 0.1
    false: int = 2


NONE = Noise(corner_px=0.0, centre_px=0.0, outline_share=0.0, missed=0.0, false=0)


def canopy(seed: int, *, fruit: int = 60, depth_sd_mm: float = 110.0) -> Canopy:
    """A tree face 1.6 m wide and 2.2 m high, its marker left of the trunk, a little turned."""
    rng = np.random.default_rng(seed)
    centres = np.column_stack(
        [
            rng.uniform(-800.0, 800.0, fruit),
            rng.uniform(400.0, 2600.0, fruit),
            rng.normal(200.0, depth_sd_mm, fruit),
        ]
    )
    turn = np.radians(rng.normal(0.0, 5.0))
    flat = square_mm(SIDE_MM) @ np.array(
        [[np.cos(turn), 0.0, -np.sin(turn)], [0.0, 1.0, 0.0], [np.sin(turn), 0.0, np.cos(turn)]]
    )
    return Canopy(
        centres_mm=centres,
        diameters_mm=rng.normal(70.0, 5.0, fruit),
        marker_mm=flat + np.array([-420.0, 1250.0, 230.0]),
    )


def camera_at(
    step_mm: float, *, yaw_deg: float = 0.0, pitch_deg: float = 0.0, zoom: float = 1.0
) -> Camera:
    """A phone held 2.3 m before the trunk, so many mm along the row."""
    yaw, pitch = np.radians([yaw_deg, pitch_deg])
    return Camera(
        position_mm=(step_mm, 1400.0, 2300.0),
        forward=(float(np.sin(yaw)), float(np.sin(pitch)), float(-np.cos(yaw))),
        up=(0.0, 1.0, 0.0),
        focal_px=FOCAL_PX * zoom,
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
    )


def photographed(
    name: str,
    scene: Canopy,
    camera: Camera,
    seed: int,
    *,
    noise: Noise | None = None,
    taken_at: datetime | None = None,
    lens_35mm: float | None = LENS_35MM,
) -> tuple[MeasuredPhoto, tuple[int, ...]]:
    """What is measured in a photo, and which fruit each find is (-1: none)."""
    noise = noise or Noise()
    rng = np.random.default_rng(seed)
    ellipses, numbers = _finds(scene, camera, noise, rng)
    corners = camera.project(scene.marker_mm) + rng.normal(0.0, noise.corner_px, (4, 2))
    depth = float(camera.seen_from(scene.marker_mm)[:, 2].mean())
    found = tuple(
        _fruit(name, number, ellipse, mm_per_px=depth / FOCAL_PX)
        for number, ellipse in enumerate(ellipses, start=1)
    )
    photo = Photo(
        photo_id=name,
        name=f"{name}.jpg",
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        taken_at=taken_at,
        focal_35mm=lens_35mm,
        sharpness=1.0,
        brightness=0.5,
    )
    measured = MeasuredPhoto(
        photo=photo,
        references=(_marker(corners, depth),),
        scale=Scale(mm_per_px=depth / FOCAL_PX, mm_per_px_error=0.002, distance_mm=depth),
        fruit=found,
        doubts=(),
        made_with=MADE_WITH,
    )
    return measured, tuple(numbers)


def _finds(
    scene: Canopy, camera: Camera, noise: Noise, rng: np.random.Generator
) -> tuple[Floats, list[int]]:
    count = len(scene.diameters_mm)
    turns = np.tile(np.eye(3), (count, 1, 1))
    shapes = ellipsoid_shapes(turns, scene.diameters_mm, scene.diameters_mm)
    ellipses = outlines(camera, scene.centres_mm, shapes)
    inside = (ellipses[:, :2] > 40).all(axis=1)
    inside &= (ellipses[:, :2] < np.array([WIDTH_PX, HEIGHT_PX]) - 40).all(axis=1)
    numbers = np.flatnonzero(inside & (rng.random(count) >= noise.missed))
    ellipses = ellipses[numbers]
    ellipses[:, :2] += rng.normal(0.0, noise.centre_px, (len(numbers), 2))
    ellipses[:, 2:4] *= 1 + rng.normal(0.0, noise.outline_share, (len(numbers), 1))
    false = np.column_stack(
        [
            rng.uniform(100, WIDTH_PX - 100, noise.false),
            rng.uniform(100, HEIGHT_PX - 100, noise.false),
            np.full((noise.false, 2), 55.0),
            np.zeros(noise.false),
        ]
    )
    return np.vstack([ellipses, false]), [*numbers.tolist(), *[-1] * noise.false]


def _fruit(photo_id: str, number: int, ellipse: Floats, *, mm_per_px: float) -> Fruit:
    x, y, long_px, short_px, angle = (float(value) for value in ellipse)
    # A ball's short axis is hardly stretched.
    return Fruit(
        photo_id=photo_id,
        fruit_id=f"f{number:03d}",
        centre_x_px=x,
        centre_y_px=y,
        width_px=long_px,
        height_px=short_px,
        angle_deg=angle,
        diameter_px=short_px,
        diameter_mm=short_px * mm_per_px,
        diameter_error_mm=6.0,
        visible_share=0.95,
        score=0.9,
        on_this_row=True,
    )


def _marker(corners: Floats, depth_mm: float) -> Reference:
    first, second, third, fourth = ((float(x), float(y)) for x, y in corners)
    return Reference(
        marker_id=7,
        side_mm=SIDE_MM,
        corners_px=(first, second, third, fourth),
        side_px=SIDE_MM * FOCAL_PX / depth_mm,
        tilt_deg=3.0,
        mm_per_px=depth_mm / FOCAL_PX,
        mm_per_px_error=0.002,
    )


def with_name(photo: MeasuredPhoto, name: str) -> MeasuredPhoto:
    """The same photo under another name and id."""
    renamed = replace(photo.photo, photo_id=name, name=f"{name}.jpg")
    return replace(
        photo, photo=renamed, fruit=tuple(replace(one, photo_id=name) for one in photo.fruit)
    )


def right_pairs(
    photos: Sequence[MeasuredPhoto], numbers: Sequence[Sequence[int]]
) -> tuple[int, int, int]:
    """Of twins named in the photos: right ones, wrong ones; and fruit found in two photos."""
    true = {
        (photo.photo.photo_id, fruit.fruit_id): number
        for photo, of in zip(photos, numbers, strict=True)
        for fruit, number in zip(photo.fruit, of, strict=True)
    }
    twins = [
        (true[fruit.same_as], true[photo.photo.photo_id, fruit.fruit_id])
        for photo in photos
        for fruit in photo.fruit
        if fruit.same_as is not None
    ]
    right = sum(one == other >= 0 for one, other in twins)
    both = len(set(numbers[0]) & set(numbers[1]) - {-1})
    return right, len(twins) - right, both

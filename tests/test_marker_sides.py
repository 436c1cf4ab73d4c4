"""A marker whose corner a twig crosses: its sides tell where it is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fruitvision.domain import Doubt
from fruitvision.marker_sides import corners_by_sides, edge_blur_px
from fruitvision.reference import find_references
from tests.scenes import Camera, Leaf, Marker, draw_scene, photo_of, true_corners_px

CAMERA = Camera(width_px=700, height_px=600, focal_px=1700.0)
MARKER = Marker(centre_mm=(30.0, -20.0, 2200.0), tilt_deg=12.0, tilt_axis_deg=40.0, roll_deg=3.0)
TWIG = Leaf(
    centre_mm=(105.0, -90.0, 2150.0),
    length_mm=110.0,
    width_mm=4.0,
    roll_deg=30.0,
    colour=(0.03, 0.025, 0.02),
)


def _light(image: np.ndarray) -> np.ndarray:
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) / 255
    return np.round(240 * grey**2.2).astype(np.uint8)


@pytest.mark.parametrize("shrunk", [0.0, 0.03, 0.06])
def test_rough_corners_find_the_edges_behind_a_twig(shrunk: float) -> None:
    image = draw_scene(CAMERA, (MARKER, TWIG), rays_per_side=4)
    true = true_corners_px(CAMERA, MARKER)
    rough = true + 2 * shrunk * (true.mean(axis=0) - true)
    found = corners_by_sides(_light(image), rough)
    assert found is not None
    assert np.abs(found - true).max() < 0.35


def test_a_picture_without_edges_has_no_corners() -> None:
    rough = np.array([(50.0, 50.0), (150.0, 50.0), (150.0, 150.0), (50.0, 150.0)])
    rng = np.random.default_rng(1)
    assert corners_by_sides(rng.integers(90, 110, (200, 200), dtype=np.uint8), rough) is None


def test_a_twig_over_a_corner_costs_no_scale() -> None:
    image = draw_scene(CAMERA, (MARKER, TWIG), rays_per_side=4)
    (found,) = find_references(image, photo_of(CAMERA), side_mm=150.0)
    assert found.mm_per_px == pytest.approx(2200.0 / CAMERA.focal_px, rel=4e-3)
    assert found.mm_per_px_error < 0.004 * found.mm_per_px


@pytest.mark.parametrize("blur_px", [0.8, 1.5, 2.0])
def test_blur_of_the_sides_is_told(blur_px: float) -> None:
    image = draw_scene(CAMERA, (MARKER,), blur_px=blur_px, rays_per_side=4)
    true = true_corners_px(CAMERA, MARKER)
    assert edge_blur_px(_light(image), true) == pytest.approx(blur_px, abs=0.25)


@pytest.mark.parametrize("blur_px", [1.5, 2.0, 3.0, 4.0])
def test_a_marker_blurred_after_the_tone_curve_is_never_surely_wrong(blur_px: float) -> None:
    image = draw_scene(CAMERA, (MARKER,), rays_per_side=4)
    image = cv2.GaussianBlur(image, (0, 0), blur_px).astype(np.uint8)
    (found,) = find_references(image, photo_of(CAMERA), side_mm=150.0)
    wrong = abs(found.mm_per_px - 2200.0 / CAMERA.focal_px)
    assert Doubt.MARKER_UNCLEAR in found.doubts or wrong < 3 * found.mm_per_px_error


def test_a_marker_under_water_gives_no_scale() -> None:
    image = draw_scene(CAMERA, (MARKER,), rays_per_side=4)
    image = cv2.GaussianBlur(image, (0, 0), 3.0).astype(np.uint8)
    (found,) = find_references(image, photo_of(CAMERA), side_mm=150.0)
    assert Doubt.MARKER_UNCLEAR in found.doubts

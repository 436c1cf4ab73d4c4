"""A marker whose corner a twig crosses: its sides tell where it is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fruitvision.marker_sides import corners_by_sides
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

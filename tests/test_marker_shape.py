"""Sheets that are bent or seen in a mirror: told, and not used for a scale."""

import cv2
import numpy as np
import pytest

from fruitvision.domain import Doubt
from fruitvision.reference import UNREAD, find_references
from fruitvision.scale import scale_from_references
from tests.scenes import CELLS, PAPER, Camera, Floats, Image, Marker, draw_scene, photo_of, to_srgb

CAMERA = Camera(width_px=400, height_px=320, focal_px=700.0)
PHOTO = photo_of(CAMERA)
SIDE_PX = 110.0
# Grid points along a side of the sheet, and pixels of the finer picture along one px.
_FINE, _ZOOM = 500, 4


def curled(curl_deg: float, *, turn_deg: float, seed: int = 0) -> Image:
    """A marker whose sheet is rolled by so many degrees over its side, turned about the x axis."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    bits = np.asarray(cv2.aruco.generateImageMarker(dictionary, 7, CELLS)) > 127
    cells = np.pad(bits, 1, constant_values=True)
    half = 150 * (CELLS + 2) / CELLS / 2
    line = (np.arange(_FINE) + 0.5) / _FINE * 2 * half - half
    across, down = np.meshgrid(line, line)
    bend = np.radians(curl_deg) / 150
    away = (1 - np.cos(across * bend)) / bend if bend else np.zeros_like(across)
    along = np.sin(across * bend) / bend if bend else across
    turn, _ = cv2.Rodrigues(np.array([np.radians(turn_deg), 0, 0]))
    depth_mm = 150 * CAMERA.focal_px / SIDE_PX
    points = np.stack([along, down, away], axis=-1).reshape(-1, 3) @ turn.T + [0, 0, depth_mm]
    places = points[:, :2] / points[:, 2:] * CAMERA.focal_px + np.array(CAMERA.centre_px)
    light = _splat(places, cells.repeat(_FINE // 10, 0).repeat(_FINE // 10, 1).ravel())
    noise = np.random.default_rng(seed).normal(0, 0.01, light.shape)
    grey = np.clip(np.round((to_srgb(cv2.GaussianBlur(light, (0, 0), 0.8)) + noise) * 255), 0, 255)
    return np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2)


def _splat(places: Floats, white: np.ndarray) -> Floats:
    """Linear light of points laid on a dark ground."""
    shape = (CAMERA.height_px * _ZOOM, CAMERA.width_px * _ZOOM)
    column, row = np.rint((places + 0.5) * _ZOOM - 0.5).astype(int).T
    total, count = np.zeros(shape), np.zeros(shape)
    np.add.at(total, (row, column), np.where(white, PAPER, 0.04))
    np.add.at(count, (row, column), 1)
    total, count = (cv2.boxFilter(one, -1, (5, 5), normalize=False) for one in (total, count))
    light = np.where(count > 0, total / np.maximum(count, 1), 0.1)
    return cv2.resize(light, (CAMERA.width_px, CAMERA.height_px), interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize("turn_deg", [0, 25])
def test_a_flat_sheet_is_not_bent(turn_deg: float) -> None:
    (found,) = find_references(curled(0, turn_deg=turn_deg), PHOTO, side_mm=150.0)
    assert found.doubts == ()


@pytest.mark.parametrize("curl_deg", [40, 60])
def test_a_curled_sheet_is_bent_and_gives_no_scale(curl_deg: float) -> None:
    found = find_references(curled(curl_deg, turn_deg=20), PHOTO, side_mm=150.0)
    assert [one.doubts for one in found] == [(Doubt.MARKER_BENT,)]
    # Taken for flat it would be off by more than 2 %.
    assert abs(found[0].mm_per_px / (150 / SIDE_PX) - 1) > 0.02
    assert scale_from_references(found, PHOTO) == (None, (Doubt.MARKER_BENT,))


def test_a_marker_seen_in_a_mirror_is_told_so() -> None:
    marker = Marker(centre_mm=(20.0, 10.0, 150 * CAMERA.focal_px / SIDE_PX), roll_deg=8.0)
    mirrored = np.ascontiguousarray(draw_scene(CAMERA, (marker,), rays_per_side=4)[:, ::-1])
    found = find_references(mirrored, PHOTO, side_mm=150.0)
    assert [(one.marker_id, one.doubts) for one in found] == [(UNREAD, (Doubt.MARKER_MIRRORED,))]
    assert scale_from_references(found, PHOTO) == (None, (Doubt.MARKER_MIRRORED,))

"""Pixels to rays and back, against OpenCV's projection and its way back."""

import cv2
import numpy as np
import pytest

from fruitvision.camera import drawn_outlines, drawn_px, ideal_outlines, ideal_px, rays
from fruitvision.domain import Camera

PINHOLE = Camera(focal_px=1802.8, middle_x_px=899.5, middle_y_px=1199.5)
# The bent lens of simulated photos in low sun; a main lens and a wide one of strong bend; a board
# glued askew.
BENT = [
    (0.02, -0.01, 0.0, 0.0, 0.0),
    (0.12, -0.35, 0.0, 0.0, 0.25),
    (-0.28, 0.09, 0.0, 0.0, -0.01),
    (0.05, -0.08, 0.002, -0.003, 0.02),
]
FRAME = np.array([(x, y) for x in np.linspace(0, 1799, 9) for y in np.linspace(0, 2399, 11)])


def bent(distortion: tuple[float, float, float, float, float]) -> Camera:
    return Camera(focal_px=1802.8, middle_x_px=905.0, middle_y_px=1190.0, distortion=distortion)


def matrix(camera: Camera) -> np.ndarray:
    return np.array(
        [
            [camera.focal_px, 0, camera.middle_x_px],
            [0, camera.focal_px, camera.middle_y_px],
            [0, 0, 1.0],
        ]
    )


@pytest.mark.parametrize("distortion", BENT)
def test_points_that_opencv_projects_are_seen_along_their_own_rays(
    distortion: tuple[float, float, float, float, float],
) -> None:
    camera = bent(distortion)
    places = np.array([(x, y, 2000.0) for x in (-900, -5, 400, 950) for y in (-1250, 0, 1200)])
    drawn, _ = cv2.projectPoints(
        places, np.zeros(3), np.zeros(3), matrix(camera), np.array(distortion)
    )
    wanted = places / np.linalg.norm(places, axis=1, keepdims=True)
    assert rays(drawn.reshape(-1, 2), camera) == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize("distortion", BENT)
def test_ideal_points_are_those_of_opencv(
    distortion: tuple[float, float, float, float, float],
) -> None:
    camera = bent(distortion)
    wanted = cv2.undistortPoints(
        FRAME[:, None], matrix(camera), np.array(distortion), P=matrix(camera)
    ).reshape(-1, 2)
    # OpenCV stops after 5 rounds of a slower method: compared where its own way back closes.
    there = drawn_px(wanted, camera)
    closed = np.hypot(*(there - FRAME).T) < 1e-4
    assert closed.mean() > 0.2
    assert ideal_px(FRAME, camera)[closed] == pytest.approx(wanted[closed], abs=1e-3)


@pytest.mark.parametrize("distortion", BENT)
def test_drawn_px_is_the_way_back_over_the_whole_frame(
    distortion: tuple[float, float, float, float, float],
) -> None:
    camera = bent(distortion)
    assert drawn_px(ideal_px(FRAME, camera), camera) == pytest.approx(FRAME, abs=1e-7)


def test_without_distortion_nothing_moves() -> None:
    outlines = np.array([[300.0, 400.0, 60.0, 50.0, 30.0]])
    assert np.array_equal(ideal_px(FRAME, PINHOLE), FRAME)
    assert np.array_equal(drawn_px(FRAME, PINHOLE), FRAME)
    assert np.array_equal(ideal_outlines(outlines, PINHOLE), outlines)
    assert np.array_equal(drawn_outlines(outlines, PINHOLE), outlines)


def test_no_points_give_no_points() -> None:
    camera = bent(BENT[0])
    assert ideal_px(np.empty((0, 2)), camera).shape == (0, 2)
    assert rays(np.empty((0, 2)), camera).shape == (0, 3)
    assert ideal_outlines(np.empty((0, 5)), camera).shape == (0, 5)


def test_the_ray_through_the_middle_is_the_axis_and_one_focal_length_off_it_is_45_degrees() -> None:
    points = np.array([[899.5, 1199.5], [899.5 + 1802.8, 1199.5]])
    assert rays(points, PINHOLE) == pytest.approx(
        np.array([[0, 0, 1], [np.sqrt(0.5), 0, np.sqrt(0.5)]])
    )


@pytest.mark.parametrize("distortion", BENT)
@pytest.mark.parametrize("centre", [(900.0, 1200.0), (140.0, 160.0), (1650.0, 900.0)])
def test_an_outline_drawn_through_the_lens_is_brought_back(
    distortion: tuple[float, float, float, float, float], centre: tuple[float, float]
) -> None:
    camera = bent(distortion)
    wanted = np.array([[*centre, 96.0, 80.0, 115.0]])
    # Drawn points, and the ellipse that OpenCV fits to them in single precision.
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    along, across = np.cos(np.radians(115)), np.sin(np.radians(115))
    ellipse = np.column_stack([48 * np.cos(turn), 40 * np.sin(turn)])
    points = ellipse @ np.array([[along, across], [-across, along]]) + centre
    drawn = drawn_px(points, camera) - centre
    (x, y), (width, height), angle = cv2.fitEllipseDirect(drawn.astype(np.float32))
    long, short, angle = (width, height, angle) if width > height else (height, width, angle + 90)
    found = ideal_outlines(np.array([[x + centre[0], y + centre[1], long, short, angle]]), camera)
    assert found[0, :2] == pytest.approx(wanted[0, :2], abs=0.15)
    assert found[0, 2:4] == pytest.approx(wanted[0, 2:4], abs=0.03)
    assert found[0, 4] % 180 == pytest.approx(wanted[0, 4], abs=0.3)
    again = ideal_outlines(drawn_outlines(wanted, camera), camera)
    assert again == pytest.approx(wanted, abs=0.02)

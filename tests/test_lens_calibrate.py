"""A lens from photos of the board: warped sheets of a known lens, blurred, with noise."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import cv2
import numpy as np
import pytest

from fruitvision.camera import rays
from fruitvision.domain import Camera, Photo
from fruitvision.errors import LensNotCalibrated
from fruitvision.lens.board import corner_places
from fruitvision.lens.calibrate import calibrate
from fruitvision.lens.corners import SeenBoard, find_board
from tests.board_photos import Pose, photo_of_board, poses, turn_of

SIZE = (1200, 900)
# A phone's main camera, bent more than most, with its axis off the middle.
LENS = Camera(
    focal_px=922.0,
    middle_x_px=606.0,
    middle_y_px=444.0,
    distortion=(0.12, -0.35, 0.001, -0.0015, 0.25),
)
DAY = date(2026, 8, 1)


def photo(name: str, size_px: tuple[int, int] = SIZE, turned_deg: int = 0) -> Photo:
    return Photo(
        photo_id=name,
        name=f"{name}.jpg",
        width_px=size_px[0],
        height_px=size_px[1],
        phone="Larkhill Nine",
        lens="Larkhill Nine back camera",
        focal_35mm=26.0,
        turned_deg=turned_deg,
        sharpness=4.0,
        brightness=0.5,
    )


def exact(pose: Pose, name: str, *, noise_px: float = 0.0, camera: Camera = LENS) -> SeenBoard:
    """The board's corners where OpenCV projects them, those inside the picture."""
    lens = np.array(
        [
            [camera.focal_px, 0, camera.middle_x_px],
            [0, camera.focal_px, camera.middle_y_px],
            [0, 0, 1],
        ]
    )
    turn = turn_of(pose)
    places = corner_places() - np.array([3.5, 4.5, 0.0])
    px, _ = cv2.projectPoints(
        places, cv2.Rodrigues(turn)[0], np.array(pose.middle), lens, np.array(camera.distortion)
    )
    rng = np.random.default_rng(abs(hash(pose)) % 2**32)
    px = px.reshape(-1, 2) + rng.normal(0, noise_px, (len(places), 2))
    inside = np.flatnonzero(np.all((px > 0) & (px < np.array(SIZE) - 1), axis=1))
    return SeenBoard(photo=photo(name), numbers=inside, corners_px=px[inside])


def seen(count: int = 12, *, noise_px: float = 0.1, seed: int = 1) -> list[SeenBoard]:
    held = poses(LENS, SIZE, count=count, seed=seed)
    return [exact(pose, f"{n:02d}", noise_px=noise_px) for n, pose in enumerate(held)]


def most_apart_px(found: Camera, truth: Camera = LENS) -> float:
    """Largest distance over the frame between where two lenses draw the same directions.

    A common turn is taken out: nobody knows which way the phone looked.
    """
    frame = np.array([(x, y) for x in np.linspace(0, 1199, 13) for y in np.linspace(0, 899, 10)])
    true, other = rays(frame, truth), rays(frame, found)
    left, _, right = np.linalg.svd(other.T @ true)
    return float(np.linalg.norm(other @ left @ right - true, axis=1).max()) * truth.focal_px


# ---------------------------------------------------------------- right


@pytest.fixture(scope="module")
def rendered() -> list[SeenBoard]:
    return [
        find_board(
            photo_of_board(LENS, pose, size_px=SIZE, blur_px=0.9, noise=4.0, seed=number),
            photo(f"{number:02d}"),
        )
        for number, pose in enumerate(poses(LENS, SIZE, count=13))
    ]


def test_rendered_photos_of_the_board_give_focal_length_and_distortion(
    rendered: list[SeenBoard],
) -> None:
    lens, left_out = calibrate(rendered, square_mm=25.0, made_on=DAY)
    assert left_out == ()
    assert lens.camera.focal_px == pytest.approx(LENS.focal_px, rel=0.003)
    assert lens.camera.middle_x_px == pytest.approx(LENS.middle_x_px, abs=2)
    assert lens.camera.middle_y_px == pytest.approx(LENS.middle_y_px, abs=2)
    assert most_apart_px(lens.camera) < 0.3
    assert lens.reprojection_px < 0.15
    assert (lens.photos, lens.made_on, lens.remarks) == (13, DAY, ())


def test_the_stated_error_is_that_of_opencv_or_of_leaving_photos_out(
    rendered: list[SeenBoard],
) -> None:
    lens, _ = calibrate(rendered, square_mm=25.0, made_on=DAY)
    places = corner_places().astype(np.float32)
    error, matrix, *_, sds, _, _ = cv2.calibrateCameraExtended(
        [places[one.numbers] for one in rendered],
        [one.corners_px.astype(np.float32) for one in rendered],
        SIZE,
        np.eye(3),
        np.zeros(5),
        flags=cv2.CALIB_FIX_ASPECT_RATIO,
    )
    assert lens.reprojection_px == pytest.approx(error, rel=1e-3)
    assert lens.camera.focal_px == pytest.approx(matrix[0, 0], rel=1e-5)
    assert 0.999 * float(sds[:2].max()) <= lens.focal_error_px < 0.003 * LENS.focal_px


def test_errors_are_as_large_as_they_are_said_to_be() -> None:
    off = []
    for seed in range(6):
        lens, _ = calibrate(seen(9, noise_px=0.4, seed=seed), square_mm=25.0, made_on=DAY)
        off.append((lens.camera.focal_px - LENS.focal_px) / lens.focal_error_px)
    assert 0.5 < np.sqrt(np.mean(np.square(off))) < 1.5


def test_the_square_sets_the_distance_and_nothing_else() -> None:
    boards = seen()
    small, _ = calibrate(boards, square_mm=25.0, made_on=DAY)
    large, _ = calibrate(boards, square_mm=50.0, made_on=DAY)
    assert large.camera.focal_px == pytest.approx(small.camera.focal_px)
    assert large.camera.distortion == pytest.approx(small.camera.distortion)
    assert large.distance_mm == pytest.approx(2 * small.distance_mm)
    # Half of the boards are nearer.
    far = np.median([pose.middle[2] for pose in poses(LENS, SIZE)])
    assert small.distance_mm == pytest.approx(25 * far, rel=0.01)


@pytest.mark.parametrize("turned", [90, 180, 270])
def test_upright_and_lying_photos_are_one_lens(turned: int) -> None:
    pose = poses(LENS, SIZE)[3]
    across = photo_of_board(LENS, pose, size_px=SIZE)
    upright = np.ascontiguousarray(np.rot90(across, -turned // 90))
    size = (upright.shape[1], upright.shape[0])
    one = find_board(across, photo("0"))
    other = find_board(upright, photo("1", size, turned_deg=turned))
    assert other.size_px == SIZE
    both, first, second = np.intersect1d(one.numbers, other.numbers, return_indices=True)
    assert len(both) > 20
    assert other.corners_px[second] == pytest.approx(one.corners_px[first], abs=0.02)


def test_a_picture_without_a_board_has_no_corners() -> None:
    grey = np.full((900, 1200, 3), 120, np.uint8)
    assert len(find_board(grey, photo("0"))) == 0


# ---------------------------------------------------------------- not good enough


def test_too_few_photos_are_refused_with_how_many_there_were() -> None:
    with pytest.raises(LensNotCalibrated, match="7 usable photos"):
        calibrate(seen(7), square_mm=25.0, made_on=DAY)


@pytest.mark.parametrize("noise_px", [0.0, 0.1])
def test_the_same_pose_again_and_again_is_refused(noise_px: float) -> None:
    pose = Pose(middle=(0.5, 0.3, 9.0), turns_deg=(4.0, -3.0, 90.0))
    same = [
        exact(replace(pose, middle=(0.5, 0.3, 9 + n / 50)), f"{n}", noise_px=noise_px)
        for n in range(10)
    ]
    with pytest.raises(LensNotCalibrated, match="same side") as caught:
        calibrate(same, square_mm=25.0, made_on=DAY)
    assert "Tilt it" in caught.value.fix


def test_corners_of_the_picture_without_a_board_are_named() -> None:
    boards = []
    for number, pose in enumerate(poses(LENS, SIZE)):
        x, y, far = pose.middle
        boards.append(exact(replace(pose, middle=(-abs(x), y, far)), f"{number:02d}", noise_px=0.1))
    lens, _ = calibrate(boards, square_mm=25.0, made_on=DAY)
    (remark,) = lens.remarks
    assert "top right or bottom right" in remark
    assert most_apart_px(lens.camera) < 1.0


def test_a_bent_board_is_doubted_and_a_folded_one_refused() -> None:
    def bent(board: SeenBoard, by_px: float) -> SeenBoard:
        bow = by_px * np.square(corner_places()[board.numbers, :1] / 3.5 - 1)
        return replace(board, corners_px=board.corners_px + bow * [1.0, 0.5])

    lens, _ = calibrate([bent(one, 3.0) for one in seen()], square_mm=25.0, made_on=DAY)
    assert "glue it on glass" in lens.remarks[0]
    with pytest.raises(LensNotCalibrated, match="not flat"):
        calibrate([bent(one, 30.0) for one in seen()], square_mm=25.0, made_on=DAY)


def test_a_photo_that_fits_far_worse_is_left_out() -> None:
    boards = seen(13)
    rng = np.random.default_rng(1)
    shaken = boards[4].corners_px + rng.normal(0, 3, boards[4].corners_px.shape)
    boards[4] = replace(boards[4], corners_px=shaken)
    lens, left_out = calibrate(boards, square_mm=25.0, made_on=DAY)
    assert [one.photo.name for one in left_out] == ["04.jpg"]
    assert lens.photos == 12
    assert most_apart_px(lens.camera) < 0.5

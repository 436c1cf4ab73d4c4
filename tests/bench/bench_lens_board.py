"""How well rendered photos of the board tell a known lens: focal length, its stated error, px.

    python -m tests.bench.bench_lens_board

Each line is one calibration from 13 photos of 1600 × 1200 px as a person would take them.
"""

from __future__ import annotations

import sys
from datetime import date
from time import perf_counter

import numpy as np

from fruitvision.camera import rays
from fruitvision.domain import Camera, Photo
from fruitvision.lens.calibrate import calibrate
from fruitvision.lens.corners import SeenBoard, find_board
from tests.board_photos import photo_of_board, poses

SIZE = (1600, 1200)
# Focal length, px, and distortion: the bent lens of simulated photos in low sun, a main camera
# with strong and crossing terms, a wide camera of 13 mm.
LENSES = {
    "low sun": (1202.0, (0.02, -0.01, 0.0, 0.0, 0.0)),
    "main": (1230.0, (0.12, -0.35, 0.001, -0.0015, 0.25)),
    "wide": (640.0, (-0.02, 0.01, 0.0, 0.0005, 0.0)),
}
# Blur, px, and noise, grey levels.
PICTURES = {"sharp": (0.7, 2.0), "soft": (1.6, 4.0), "poor": (2.5, 8.0)}


def frame_error_px(found: Camera, truth: Camera) -> float:
    """Largest distance over the frame between what two lenses draw, a common turn taken out."""
    grid = [np.linspace(0, side - 1, 17) for side in SIZE]
    frame = np.array([(x, y) for x in grid[0] for y in grid[1]])
    true, other = rays(frame, truth), rays(frame, found)
    left, _, right = np.linalg.svd(other.T @ true)
    return float(np.linalg.norm(other @ left @ right - true, axis=1).max()) * truth.focal_px


def boards_of(camera: Camera, blur_px: float, noise: float, seed: int) -> list[SeenBoard]:
    boards = []
    for number, pose in enumerate(poses(camera, SIZE, count=13, seed=seed)):
        image = photo_of_board(
            camera, pose, size_px=SIZE, blur_px=blur_px, noise=noise, seed=100 * seed + number
        )
        photo = Photo(
            photo_id=f"{number}",
            name=f"{number}.jpg",
            width_px=SIZE[0],
            height_px=SIZE[1],
            sharpness=1.0,
            brightness=0.5,
        )
        boards.append(find_board(image, photo))
    return [board for board in boards if len(board) >= 12]


def main() -> None:
    sys.stdout.write(
        "lens     picture  seed  photos  focal off  stated  corners fit  frame, most  seconds\n"
    )
    for lens, (focal_px, distortion) in LENSES.items():
        camera = Camera(
            focal_px=focal_px, middle_x_px=806.0, middle_y_px=593.0, distortion=distortion
        )
        for words, (blur_px, noise) in PICTURES.items():
            for seed in (1, 2):
                began = perf_counter()
                boards = boards_of(camera, blur_px, noise, seed)
                found, _ = calibrate(boards, square_mm=25.0, made_on=date(2026, 8, 1))
                off = found.camera.focal_px / focal_px - 1
                sys.stdout.write(
                    f"{lens:9}{words:9}{seed:4}{found.photos:8}{off:+11.3%}"
                    f"{found.focal_error_px / focal_px:8.3%}{found.reprojection_px:10.2f} px"
                    f"{frame_error_px(found.camera, camera):10.2f} px"
                    f"{perf_counter() - began:9.1f}\n"
                )
                sys.stdout.flush()


if __name__ == "__main__":
    main()

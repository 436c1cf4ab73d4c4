"""Photos of the printed board through a known lens: the sheet warped, blurred, with noise."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage

from fruitvision.camera import rays
from fruitvision.domain import Camera
from fruitvision.lens.board import board

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# Pixels a square of the sheet that is warped, and squares of paper around the board.
SQUARE_PX, RIM = 120, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """How the board is held: its middle before the lens in squares, and turns about x, y and z."""

    middle: tuple[float, float, float]
    turns_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)


@cache
def sheet() -> Image:
    """The board on paper, grey."""
    columns, rows = board().getChessboardSize()
    size = ((columns + 2 * RIM) * SQUARE_PX, (rows + 2 * RIM) * SQUARE_PX)
    return np.asarray(board().generateImage(size, marginSize=RIM * SQUARE_PX), dtype=np.uint8)


@cache
def _slopes(camera: Camera, width_px: int, height_px: int) -> NDArray[np.float32]:
    """(H, W, 2): where the ray of each pixel meets a plane at distance 1."""
    x, y = np.meshgrid(np.arange(width_px), np.arange(height_px))
    ahead = rays(np.column_stack([x.ravel(), y.ravel()]).astype(float), camera)
    return (ahead[:, :2] / ahead[:, 2:]).reshape(height_px, width_px, 2).astype(np.float32)


def turn_of(pose: Pose) -> Floats:
    """(3, 3) turn of the board."""
    x, y, z = np.radians(pose.turns_deg)
    about_x, about_y, about_z = (
        cv2.Rodrigues(np.array(axis, dtype=float))[0] for axis in ((x, 0, 0), (0, y, 0), (0, 0, z))
    )
    return np.asarray(about_x @ about_y @ about_z)


def photo_of_board(
    camera: Camera,
    pose: Pose,
    *,
    size_px: tuple[int, int],
    blur_px: float = 0.8,
    noise: float = 3.0,
    seed: int = 0,
) -> Image:
    """(H, W, 3) picture of the board on a grey table; `noise` in grey levels."""
    width_px, height_px = size_px
    slopes = _slopes(camera, width_px, height_px)
    columns, rows = board().getChessboardSize()
    turn = turn_of(pose)
    corner = np.array(pose.middle) - turn @ np.array([columns / 2, rows / 2, 0])
    # Board coordinates (u, v) of a slope (x, y): (x, y, 1) is along turn @ (u, v, 0) + corner.
    flat = np.linalg.inv(np.column_stack([turn[:, 0], turn[:, 1], corner])).astype(np.float32)
    u, v, w = (slopes[..., 0] * a + slopes[..., 1] * b + c for a, b, c in flat)
    with np.errstate(divide="ignore", invalid="ignore"):
        map_x, map_y = ((RIM + part / w) * SQUARE_PX - np.float32(0.5) for part in (u, v))
    grey = cv2.remap(
        sheet(), map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=110
    )
    rng = np.random.default_rng(seed)
    blurred = cv2.GaussianBlur(grey.astype(np.float32) * 0.8 + 20, (0, 0), blur_px)
    noisy = blurred + rng.standard_normal(grey.shape, dtype=np.float32) * np.float32(noise)
    return np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def poses(
    camera: Camera,
    size_px: tuple[int, int],
    *,
    count: int = 12,
    seed: int = 1,
    tilt_deg: float = 30,
) -> list[Pose]:
    """As a person is asked to hold it: in the middle and in each corner, tilted, turned once."""
    rng = np.random.default_rng(seed)
    width_px, height_px = size_px
    columns, rows = board().getChessboardSize()
    found = []
    for number in range(count):
        upright = number % 6 == 5
        wide, tall = (columns, rows) if upright else (rows, columns)
        # The board's side fills 55 to 75 % of the picture's height or width.
        share = rng.uniform(0.55, 0.75)
        far = max(wide / width_px, tall / height_px) * camera.focal_px / share
        where = ((0, 0), (-1, -1), (1, -1), (-1, 1), (1, 1))[number % 5]
        # In a corner a tenth of the board is out of the picture.
        room_x = max(width_px * far / camera.focal_px - 0.8 * wide, 0) / 2
        room_y = max(height_px * far / camera.focal_px - 0.8 * tall, 0) / 2
        tilts = rng.uniform(tilt_deg / 2, tilt_deg, 2) * rng.choice([-1, 1], 2)
        found.append(
            Pose(
                middle=(where[0] * room_x, where[1] * room_y, far),
                turns_deg=(
                    float(tilts[0]),
                    float(tilts[1]),
                    (0.0 if upright else 90.0) + float(rng.normal(0, 4)),
                ),
            )
        )
    return found


def save_photo(
    path: Path,
    image: Image,
    *,
    orientation: int = 1,
    focal_35mm: float | None = 26,
    model: str = "Nine",
    **tags: object,
) -> Path:
    """A JPEG as a phone writes it; `tags` by their number, as xA404=2.0."""
    exif = PillowImage.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Larkhill", model, orientation
    more = exif.get_ifd(0x8769)
    if focal_35mm is not None:
        more[0xA405] = focal_35mm
    more.update({int(name[1:], 16): value for name, value in tags.items()})
    PillowImage.fromarray(image).save(path, exif=exif, quality=92)
    return path

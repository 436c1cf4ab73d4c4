"""The corners of the board in a photo."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Photo
from fruitvision.lens.board import board

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# Corners that make a photo usable. Our choice: a quarter of the board's 48.
FEWEST_CORNERS = 12


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SeenBoard:
    """Corners of the board that one photo shows.

    `photo` : the photo; `numbers` : (N,) int, which corners; `corners_px` : (N, 2) float, where, in
    the picture as the sensor gave it: not turned.
    """

    photo: Photo
    numbers: NDArray[np.int64]
    corners_px: Floats

    def __len__(self) -> int:
        return len(self.numbers)

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the picture before it was turned."""
        return unturned_size(self.photo)


def find_board(image: Image, photo: Photo) -> SeenBoard:
    """Corners of the board in an upright picture; none where it does not show the board.

    Parameters
    ----------
    image : (H, W, 3) uint8, RGB
    photo : Photo
        Its `turned_deg` brings the corners back to the sensor.
    """
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    settings = cv2.aruco.CharucoParameters()
    # One marker beside a corner is enough, not two: corners are seen farther out in the picture.
    settings.minMarkers = 1
    corners, numbers, _, _ = cv2.aruco.CharucoDetector(board(), settings).detectBoard(grey)
    if corners is None or numbers is None:
        return SeenBoard(photo=photo, numbers=np.empty(0, np.int64), corners_px=np.empty((0, 2)))
    upright = np.asarray(corners, dtype=np.float64).reshape(-1, 2)
    return SeenBoard(
        photo=photo,
        numbers=np.ravel(np.asarray(numbers)).astype(np.int64),
        corners_px=_unturned(upright, photo),
    )


def unturned_size(photo: Photo) -> tuple[int, int]:
    """Width and height, px, of a photo before it was turned; as it is where that is not known."""
    if photo.turned_deg in (90, 270):
        return photo.height_px, photo.width_px
    return photo.width_px, photo.height_px


def _unturned(points: Floats, photo: Photo) -> Floats:
    """Points of the upright picture in the picture before it was turned."""
    x, y = points.T
    right, bottom = photo.width_px - 1, photo.height_px - 1
    if photo.turned_deg == 90:
        return np.column_stack([y, right - x])
    if photo.turned_deg == 180:
        return np.column_stack([right - x, bottom - y])
    if photo.turned_deg == 270:
        return np.column_stack([bottom - y, x])
    return points

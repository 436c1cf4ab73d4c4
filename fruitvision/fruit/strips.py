"""Every fruit cut out at full resolution and unrolled: one strip around its rim, along rays.

A fruit's frame is the ellipse that was found: its centre, and the (2, 2) matrix that makes it of
a circle of radius 1 without turning it. Along a ray, 1 is where that ellipse lies.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.detector import Detections, Image

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]

RAYS = 64
ANGLES = np.arange(RAYS) * 2 * np.pi / RAYS
TOWARDS = np.stack([np.cos(ANGLES), np.sin(ANGLES)], axis=1)
# Along each ray the rim is looked for from half to one and a half of the radius that was found.
# Our choice: outlines of well seen fruit err by a tenth.
STEP = 0.02
RADII = np.arange(0.50, 1.4801, STEP)
STEPS = len(RADII)
# Radius of a fruit in its cut-out, px. Our choice: of usual fruit nothing is lost (28 px in a photo
# of 4 megapixels), and a tenth of a px is 0.3 % of the diameter.
FRAME_PX = 32
_HALF = 48
_SIDE = 2 * _HALF + 1
# Cut-outs unrolled at once: OpenCV's pictures end at 32,767 lines.
_AT_ONCE = 256
_ACROSS = (_HALF + FRAME_PX * RADII * np.cos(ANGLES)[:, None]).astype(np.float32)
_DOWN = (_HALF + FRAME_PX * RADII * np.sin(ANGLES)[:, None]).astype(np.float32)


def frames_of(outlines: Floats) -> tuple[Floats, Floats]:
    """Centres (N, 2) and matrices (N, 2, 2) of ellipses (N, 5) as in `Detections`."""
    turn = np.deg2rad(outlines[:, 4])
    half_long, half_short = outlines[:, 2] / 2, outlines[:, 3] / 2
    cos, sin = np.cos(turn), np.sin(turn)
    matrices = np.empty((len(outlines), 2, 2))
    matrices[:, 0, 0] = half_long * cos**2 + half_short * sin**2
    matrices[:, 1, 1] = half_long * sin**2 + half_short * cos**2
    matrices[:, 0, 1] = matrices[:, 1, 0] = (half_long - half_short) * cos * sin
    return outlines[:, :2].copy(), matrices


def outlines_of(centres: Floats, matrices: Floats) -> Floats:
    """The inverse of `frames_of`, for any matrices that make an ellipse of the unit circle."""
    turned, sizes, _ = np.linalg.svd(matrices)
    direction = np.rad2deg(np.arctan2(turned[:, 1, 0], turned[:, 0, 0]))
    return np.column_stack([centres, 2 * sizes, (direction + 90) % 180 - 90])


def owners_of(found: Detections, height: int, width: int) -> NDArray[np.uint16]:
    """(H, W) number of the fruit that each pixel belongs to, counted from 1; 0 for none."""
    owners = np.zeros((height, width), dtype=np.uint16)
    for number, (mask, (left, top)) in enumerate(
        zip(found.masks, found.mask_origins, strict=True), start=1
    ):
        owners[top : top + mask.shape[0], left : left + mask.shape[1]][mask] = number
    return owners


def cut_outs(picture: Image, centres: Floats, matrices: Floats) -> NDArray[np.uint8]:
    """(N, SIDE, SIDE, 3) every fruit made round, of radius FRAME_PX, its centre in the middle."""
    cuts = np.empty((len(centres), _SIDE, _SIDE, 3), dtype=np.uint8)
    for index, (centre, matrix) in enumerate(zip(centres, matrices, strict=True)):
        # A fruit much larger than its cut-out is averaged down first, so that nothing flickers.
        shrink = int(np.sqrt(np.linalg.det(matrix)) / FRAME_PX / 1.4)
        frame = (picture, centre, matrix)
        if shrink > 1:
            frame = _shrunk(picture, centre, matrix, shrink)
        cuts[index] = _warped(*frame, cv2.INTER_LINEAR, cv2.BORDER_REPLICATE)
    return cuts


def owner_cut_outs(
    owners: NDArray[np.uint16], centres: Floats, matrices: Floats
) -> NDArray[np.uint16]:
    """(N, SIDE, SIDE) the same of the numbers of owners; 0 outside the picture."""
    cuts = np.empty((len(centres), _SIDE, _SIDE), dtype=np.uint16)
    for index, (centre, matrix) in enumerate(zip(centres, matrices, strict=True)):
        cuts[index] = _warped(owners, centre, matrix, cv2.INTER_NEAREST, cv2.BORDER_CONSTANT)
    return cuts


def unrolled(cuts: NDArray[np.float32] | NDArray[np.uint8]) -> Plane:
    """(N, SIDE, SIDE, C) cut-outs along the rays, C up to 4: (N, RAYS, STEPS, C) float32."""
    parts: list[Plane] = []
    for first in range(0, len(cuts), _AT_ONCE):
        part = cuts[first : first + _AT_ONCE]
        # One below the other: a single call samples them all.
        tall: NDArray[np.float32] | NDArray[np.uint8] = part.reshape(-1, _SIDE, part.shape[3])
        tops = (np.arange(len(part), dtype=np.float32) * _SIDE)[:, None]
        flat = (len(part), RAYS * STEPS)
        x = np.broadcast_to(_ACROSS.reshape(1, -1), flat)
        values = cv2.remap(
            tall, np.ascontiguousarray(x), _DOWN.reshape(1, -1) + tops, cv2.INTER_LINEAR
        )
        parts.append(
            np.asarray(values, dtype=np.float32).reshape(len(part), RAYS, STEPS, part.shape[3])
        )
    return np.concatenate(parts)


def _shrunk(
    picture: Image, centre: Floats, matrix: Floats, shrink: int
) -> tuple[Image, Floats, Floats]:
    """The neighbourhood of a fruit with every `shrink` x `shrink` px averaged, and its frame."""
    reach = int(np.abs(matrix).sum(axis=1).max() * _HALF / FRAME_PX) + 2
    left, top = np.maximum(np.floor(centre).astype(int) - reach, 0)
    part = picture[top : max(int(centre[1]) + reach, top + 1) + shrink]
    part = part[:, left : max(int(centre[0]) + reach, left + 1) + shrink]
    height, width = max(part.shape[0] // shrink, 1), max(part.shape[1] // shrink, 1)
    part = part[: height * shrink, : width * shrink]
    small = cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA)
    return (
        np.asarray(small, dtype=np.uint8),
        (centre - (left, top) + 0.5) / shrink - 0.5,
        matrix / shrink,
    )


def _warped(
    source: NDArray[np.uint8] | NDArray[np.uint16],
    centre: Floats,
    matrix: Floats,
    how: int,
    border: int,
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """(SIDE, SIDE, ...) the source as the frame sees it."""
    step = matrix / FRAME_PX
    move = np.column_stack([step, centre - step @ np.array([_HALF, _HALF])])
    return cv2.warpAffine(
        source, move, (_SIDE, _SIDE), flags=how | cv2.WARP_INVERSE_MAP, borderMode=border
    )  # type: ignore[return-value]

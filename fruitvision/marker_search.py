"""Where a picture's printed markers are: read, or seen and cut. Their corners are rough here.

Large photos are searched at half their size first, which takes a quarter of the time. What is found
there stands only if nothing in it asks for a closer look.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.cut_marker import cut_markers, sides_px

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# AprilTag family with 587 codes at least 11 bits apart (Wang and Olson 2016). Few false readings.
DICTIONARY = cv2.aruco.DICT_APRILTAG_36h11
# Smallest marker that is searched for, px. Our choice: half of what is usable, so that a photo
# taken from too far is told so.
_SEARCHED_SIDE_PX = 18.0
# White rim put around the picture, so that a marker cut by the frame still closes. Our choice.
_RIM_PX = 16
# Long side from which a photo is searched at half its size first, px. Our choice: photos of 12
# megapixels are, those of 5 are not; a sheet at 2.2 m then has sides of 100 px there.
_LARGE_SIDE_PX = 3000
# Sides of markers that may be left to that search, px of the picture: rough corners err by up to
# 2 px, and the closer look starts from them. Our choice: twice what is usable.
_SURE_SIDE_PX = 80.0


@dataclass(frozen=True, slots=True, eq=False)
class Searched:
    """Quadrilaterals (4, 2), px: markers that could be read, with their id, and rests of others."""

    read: tuple[tuple[int, Floats], ...]
    cut: tuple[Floats, ...]


def search_markers(grey: Image) -> Searched:
    """All markers of a picture.

    Parameters
    ----------
    grey : (H, W) uint8
    """
    height, width = grey.shape
    if max(height, width) < _LARGE_SIDE_PX:
        return _searched(grey)
    half = cv2.resize(grey, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    found = _searched(np.asarray(half, dtype=np.uint8))
    zoom = np.array([width / (width // 2), height / (height // 2)])
    read = tuple((number, (quad + 0.5) * zoom - 0.5) for number, quad in found.read)
    small = any(sides_px(quad).mean() < _SURE_SIDE_PX for _, quad in read)
    # Without a marker, with a cut or a small one: what half the pixels show may not be all.
    return _searched(grey) if not read or small or found.cut else Searched(read, ())


def read_markers(grey: Image) -> tuple[list[tuple[int, Floats]], list[Floats]]:
    """Markers that could be read, with their id, and quadrilaterals that could not."""
    framed = cv2.copyMakeBorder(
        grey, _RIM_PX, _RIM_PX, _RIM_PX, _RIM_PX, cv2.BORDER_CONSTANT, value=255
    )
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 4 * _SEARCHED_SIDE_PX / max(framed.shape)
    corners, ids, rejected = marker_detector(settings).detectMarkers(framed)
    read = [
        (marker_id, quad_of(corner) - _RIM_PX)
        for marker_id, corner in zip(ids_of(ids), corners, strict=True)
    ]
    return read, [quad_of(corner) - _RIM_PX for corner in rejected]


def marker_detector(settings: cv2.aruco.DetectorParameters) -> cv2.aruco.ArucoDetector:
    """OpenCV's, for the codes of our sheets."""
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), settings)


def quad_of(corners: object) -> Floats:
    """(4, 2) of what OpenCV gives."""
    return np.asarray(corners, dtype=np.float64).reshape(4, 2)


def ids_of(ids: object) -> list[int]:
    """OpenCV gives None, (N, 1) or (N,), depending on its version."""
    return [] if ids is None else [int(one) for one in np.ravel(np.asarray(ids))]


def _searched(grey: Image) -> Searched:
    read, unread = read_markers(grey)
    whole = [quad for _, quad in read]
    cut = [quad for quad in cut_markers(grey, unread) if not _overlaps(quad, whole)]
    return Searched(tuple(read), tuple(cut))


def _overlaps(quad: Floats, others: Sequence[Floats]) -> bool:
    """Whether the middle of one lies in the other, either way."""
    return any(_holds(a, b) or _holds(b, a) for a, b in ((quad, other) for other in others))


def _holds(outer: Floats, inner: Floats) -> bool:
    middle = inner.mean(axis=0)
    return cv2.pointPolygonTest(outer.astype(np.float32), (middle[0], middle[1]), False) >= 0

"""What is wrong with the sheet of a marker that could be read, or nearly: bent, mirrored."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.cut_marker import sides_px

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# Part of a side, at each end, where its bow is not measured: corners are rounded by blur.
_LEFT_OUT = 0.12
_POINTS = 25
# How far from the straight side its edge is looked for, as a share of its length: less than the
# black rim is wide, an eighth.
_REACH = 0.09
_STEP_PX = 0.25
# Bow above which a sheet is bent, as a share of its side and in px. Our choice: a sheet bowed so
# far out of its plane that its width shrinks by 1 % (bow of 6 % in depth), seen 30 degrees from
# the side, bows by 3 %; clean markers of 60 to 200 px show up to 0.5 % and 0.35 px.
_MOST_BOW, _MOST_BOW_PX = 0.012, 0.9
# Size of the flattened marker that is tried mirrored, px, and of the white around it.
_FLAT_PX, _RIM_PX = 128, 32


def is_bent(grey: Image, quad: Floats) -> bool:
    """Whether opposite sides of a marker bow: no flat sheet looks like this, at whatever tilt.

    Parameters
    ----------
    grey : (H, W) uint8
    quad : (4, 2) float
        Its corners, in order, px.
    """
    bows = np.array([_bow(grey, quad, side) for side in range(4)])
    limit = np.maximum(_MOST_BOW * sides_px(quad), _MOST_BOW_PX)
    over = np.abs(bows) > limit
    # A leaf's edge or a fold in one side is no bend: a curled sheet bows two opposite sides the
    # same way, one outwards and one inwards.
    pairs = ((0, 2), (1, 3))
    return any(over[one] and over[other] and bows[one] * bows[other] < 0 for one, other in pairs)


def is_mirrored(grey: Image, quad: Floats, dictionary: int) -> bool:
    """Whether a quadrilateral (4, 2), px, that can't be read is a marker seen in a mirror."""
    last = _FLAT_PX + 2 * _RIM_PX
    low, high = _RIM_PX, _RIM_PX + _FLAT_PX
    flipped = np.array([(high, low), (low, low), (low, high), (high, high)], np.float32)
    to_flat = cv2.getPerspectiveTransform(quad.astype(np.float32), flipped)
    flat = cv2.warpPerspective(grey, to_flat, (last, last), borderValue=255)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(dictionary))
    _, ids, _ = detector.detectMarkers(flat)
    return ids is not None and len(ids) > 0


def _bow(grey: Image, quad: Floats, side: int) -> float:
    """How far the middle of a side lies outside of the line through its ends, px."""
    start, end = quad[side], quad[(side + 1) % 4]
    along = (end - start) / np.linalg.norm(end - start)
    out = np.array([along[1], -along[0]])
    if out @ (start - quad.mean(axis=0)) < 0:
        out = -out
    length = float(np.linalg.norm(end - start))
    shares = np.linspace(_LEFT_OUT, 1 - _LEFT_OUT, _POINTS)
    offsets = np.arange(-_REACH * length, _REACH * length + _STEP_PX, _STEP_PX)
    places = (start + np.outer(shares * length, along))[:, None] + offsets[:, None] * out
    light = cv2.remap(
        grey,
        places[..., 0].astype(np.float32),
        places[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)
    # The edge is where a step explains most: black inside, paper outside.
    rise = np.cumsum(light - light.mean(axis=1, keepdims=True), axis=1)
    edges = offsets[rise.argmin(axis=1)]
    shape = np.polynomial.polynomial.polyfit(2 * shares - 1, edges, 2)
    rest = edges - np.polynomial.polynomial.polyval(2 * shares - 1, shape)
    clear = np.abs(rest) <= 2.5 * max(float(np.median(np.abs(rest))), 0.25)
    shape = np.polynomial.polynomial.polyfit(2 * shares[clear] - 1, edges[clear], 2)
    return float(-shape[2])

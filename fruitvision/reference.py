"""Step 2: find the printed square markers in a photo, and say how far each can be trusted.

A fast contour search finds and reads markers; each is then measured again in a crop of the full
picture, turned into linear light first: in the stored (gamma-coded) picture a lens's blur moves
the grey halfway between black and white into the black, which made markers 1 % (87 px) to
2.6 % (40 px) too small in our scenes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import acos, degrees, hypot

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.camera import ideal_px, usual_camera
from fruitvision.cut_marker import sides_px
from fruitvision.domain import (
    Corners,
    Doubt,
    Doubts,
    Photo,
    PointedReference,
    Reference,
    merge_doubts,
)
from fruitvision.errors import ReferenceRefused
from fruitvision.marker_search import (
    DICTIONARY,
    ids_of,
    marker_detector,
    quad_of,
    read_markers,
    search_markers,
)
from fruitvision.marker_shape import is_bent, is_mirrored
from fruitvision.marker_sides import corners_by_sides, edge_blur_px

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# The limits that the field sheet names; a marker beyond them gives no scale.
MOST_TILT_DEG = 35.0
LEAST_SIDE_PX = 40.0
# The printed sheet reaches this much farther from its middle than the square: 210 mm against 150.
SHEET_SHARE = 1.4
# Id of a marker that is seen but can't be read.
UNREAD = -1
# The number of the printed sheet. The side of others is not known. Our choice.
SHEET_NUMBER = 7

# Side of a marker that a person points at, in the part that is searched closely, px. Our choice.
_CLOSE_SIDE_PX = 160.0
# The AprilTag refinement counts from a pixel's corner: constant shift measured in our scenes.
_CORNER_SHIFT_PX = 0.46
# Crops of smaller markers are enlarged twofold: corner errors at 40 px fall from 0.10 to 0.07 px.
_ENLARGED_SIDE_PX = 100.0
# Standard errors of the corners, px: each corner on its own, and all four sides together outwards
# (what is left of the blur where the tone curve is not quite sRGB). Calibrated in 298 scenes of 40
# to 200 px (lens blur 0.4 to 1.2 px, noise 1 to 2 %, tone curves bent by up to 15 % either way):
# 81 % of the truths lie within one standard error of mm per px; in the 40 ray-traced
# photos of samples/ 62 %, within two 88 %. Our choice lies between the two.
_CORNER_SD_PX = 0.06
_EDGE_SD_PX = 0.08
# Blur of the sides, px, up to which that holds (74 rendered photos have up to 1.18), and what each
# px more adds to the error of all sides together: where the blur is not the lens's but came after
# the tone curve (wet paper, smoothing by the phone), sides move outwards by 0.45 px at a blur of
# 1.6, 0.7 at 2.0 and 1.6 at 3.7. Beyond the most, as a share of the scale, there is none.
_SHARP_PX = 1.3
_EDGE_SD_PER_BLUR = 0.5
_MOST_BLUR_ERROR = 0.01


def find_references(image: Image, photo: Photo, *, side_mm: float) -> tuple[Reference, ...]:
    """All markers in a picture, from left to right.

    Parameters
    ----------
    image : (H, W, 3) uint8, RGB
    photo : Photo
        Its 35 mm focal length is used; without it a phone's main camera is taken, and the error
        grows by what that may cost.
    side_mm : float
        Printed side of the black square, mm.

    Returns
    -------
    tuple of Reference
        Empty if there is none. A marker that is cut by the frame or covered has id `UNREAD` and
        the doubt MARKER_CUT; one that can't be told from the canopy is not listed at all.

    Raises
    ------
    ValueError
        If `side_mm` is not above 0.

    Notes
    -----
    `mm_per_px` is depth over focal length at the marker's centre: the scale of a plane through
    that point, parallel to the picture, in the picture freed of the lens's distortion. Corners stay
    where they were drawn. `tilt_deg` is the angle between marker and picture plane.
    """
    if not side_mm > 0:
        raise ValueError(f"side_mm must be above 0, got {side_mm}")
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    seen = search_markers(grey)
    found = [_measured(grey, marker_id, quad, photo, side_mm) for marker_id, quad in seen.read]
    found += [_cut_reference(grey, quad, side_mm) for quad in seen.cut]
    return tuple(sorted(found, key=lambda one: one.corners_px))


def read_square(
    image: Image, photo: Photo, pointed: PointedReference, found: Sequence[Reference]
) -> list[Reference]:
    """The markers of a picture, one of them with the side that a person stated.

    Parameters
    ----------
    image : (H, W, 3) uint8, RGB
    photo : Photo
    pointed : PointedReference
        A printed square: the box around it, and its side.
    found : sequence of Reference
        What `find_references` found.

    Raises
    ------
    ReferenceRefused
        If no marker can be read in the box.
    """
    here = [one for one in found if _in_box(np.array(one.corners_px), pointed)]
    rest = [one for one in found if one not in here]
    side_mm = pointed.size_mm
    read = [one for one in here if one.marker_id != UNREAD]
    if read:
        again = [
            replace(
                one,
                side_mm=side_mm,
                mm_per_px=one.mm_per_px * side_mm / one.side_mm,
                mm_per_px_error=one.mm_per_px_error * side_mm / one.side_mm,
            )
            for one in read
        ]
    else:
        grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
        again = [
            _measured(grey, marker_id, quad, photo, side_mm)
            for marker_id, quad in _search_closely(grey, pointed)
        ]
    if not again:
        x0, y0, x1, y1 = pointed.box_px
        raise ReferenceRefused(
            f"No marker can be read in the box x {x0:.0f} to {x1:.0f}, y {y0:.0f} to {y1:.0f} px.",
            fix="It must be one of our printed sheets, whole, flat and not mirrored; take the "
            "photo again, or leave it away.",
        )
    return sorted([*rest, *again], key=lambda one: one.corners_px)


def _in_box(quad: Floats, pointed: PointedReference) -> bool:
    x, y = quad.mean(axis=0)
    x0, y0, x1, y1 = pointed.box_px
    return bool(x0 <= x <= x1 and y0 <= y <= y1)


def _search_closely(grey: Image, pointed: PointedReference) -> list[tuple[int, Floats]]:
    """Markers that can be read in an enlarged part of the picture, px of the picture."""
    x0, y0, x1, y1 = pointed.box_px
    size = max(x1 - x0, y1 - y0)
    low = np.maximum(np.floor([x0 - 0.4 * size, y0 - 0.4 * size]), 0).astype(int)
    high = np.ceil([x1 + 0.4 * size, y1 + 0.4 * size]).astype(int)
    zoom = max(1.0, _CLOSE_SIDE_PX / size)
    crop = cv2.resize(
        grey[low[1] : high[1], low[0] : high[0]],
        None,
        fx=zoom,
        fy=zoom,
        interpolation=cv2.INTER_CUBIC,
    )
    read, _ = read_markers(np.asarray(crop, dtype=np.uint8))
    quads = [(marker_id, (quad + 0.5) / zoom - 0.5 + low) for marker_id, quad in read]
    return [(marker_id, quad) for marker_id, quad in quads if _in_box(quad, pointed)]


# ---------------------------------------------------------------- refine


def _refine(grey: Image, marker_id: int, rough: Floats) -> tuple[Floats, bool]:
    """Corners (4, 2) at full resolution, and whether the refinement could do its work."""
    reach = 0.35 * sides_px(rough).max() + 8
    low = np.maximum(np.floor(rough.min(axis=0) - reach), 0).astype(int)
    high = np.ceil(rough.max(axis=0) + reach).astype(int)
    crop = _in_linear_light(grey[low[1] : high[1], low[0] : high[0]], rough - low)
    zoom = 2 if sides_px(rough).mean() < _ENLARGED_SIDE_PX else 1
    enlarged = cv2.resize(crop, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    settings.minMarkerPerimeterRate = 0.1
    corners, ids, _ = marker_detector(settings).detectMarkers(enlarged)
    for found_id, corner in zip(ids_of(ids), corners, strict=True):
        fine = (quad_of(corner) + 0.5 - _CORNER_SHIFT_PX) / zoom - 0.5 + low
        if found_id == marker_id and abs(fine - rough).max() < 0.1 * sides_px(rough).max() + 2:
            return fine, True
    by_sides = corners_by_sides(crop, rough - low)
    return (rough, False) if by_sides is None else (by_sides + low, True)


def _in_linear_light(crop: Image, quad: Floats) -> Image:
    """The crop with the sRGB curve undone (IEC 61966-2-1), the marker's white near the top."""
    stored = np.arange(256) / 255
    light = np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)
    inside = np.zeros_like(crop)
    cv2.fillConvexPoly(inside, np.round(quad).astype(np.int32), 1)
    white = light[int(np.percentile(crop[inside > 0], 95))]
    table = np.clip(light * 240 / max(white, 0.01), 0, 255).round().astype(np.uint8)
    return np.asarray(cv2.LUT(crop, table), dtype=np.uint8)


def sheet_px(reference: Reference) -> Floats:
    """Corners (4, 2) of the sheet around a marker, px: the square and its white border."""
    corners = np.asarray(reference.corners_px)
    middle = corners.mean(axis=0)
    return np.asarray(middle + SHEET_SHARE * (corners - middle))


# ---------------------------------------------------------------- measure


def _measured(
    grey: Image, marker_id: int, rough: Floats, photo: Photo, side_mm: float
) -> Reference:
    quad, refined = _refine(grey, marker_id, rough)
    mm_per_px, mm_per_px_error, tilt_deg = _scale_of(quad, photo, side_mm)
    side_px = float(sides_px(quad).mean())
    blur_error = 2 * _EDGE_SD_PER_BLUR * max(_blur_px(grey, quad) - _SHARP_PX, 0.0) / side_px
    mm_per_px_error = hypot(mm_per_px_error, blur_error * mm_per_px)
    if not refined:
        # Unrefined corners lie 1 to 2 % inside (measured by others at 40 to 80 px).
        mm_per_px_error = hypot(mm_per_px_error, 0.02 * mm_per_px)
    return Reference(
        marker_id=marker_id,
        side_mm=side_mm,
        corners_px=_as_corners(quad),
        side_px=side_px,
        tilt_deg=tilt_deg,
        mm_per_px=mm_per_px,
        mm_per_px_error=mm_per_px_error,
        doubts=merge_doubts(
            _doubts(side_px, tilt_deg),
            (Doubt.MARKER_BENT,) if is_bent(grey, quad) else (),
            () if refined and blur_error <= _MOST_BLUR_ERROR else (Doubt.MARKER_UNCLEAR,),
        ),
    )


def _blur_px(grey: Image, quad: Floats) -> float:
    reach = 0.2 * sides_px(quad).max() + 2
    low = np.maximum(np.floor(quad.min(axis=0) - reach), 0).astype(int)
    high = np.ceil(quad.max(axis=0) + reach).astype(int)
    light = _in_linear_light(grey[low[1] : high[1], low[0] : high[0]], quad - low)
    return edge_blur_px(light, quad - low)


def _doubts(side_px: float, tilt_deg: float) -> Doubts:
    small = (Doubt.MARKER_SMALL,) if side_px < LEAST_SIDE_PX else ()
    tilted = (Doubt.MARKER_TILTED,) if tilt_deg > MOST_TILT_DEG else ()
    return tilted + small


def _scale_of(quad: Floats, photo: Photo, side_mm: float) -> tuple[float, float, float]:
    """mm per px, its standard error, and the tilt in degrees."""
    camera = photo.camera or usual_camera(photo)
    middle = np.array([camera.middle_x_px, camera.middle_y_px])
    focal_px = camera.focal_px
    quad = ideal_px(quad, camera)

    def by_pose(corners: Floats) -> float:
        return _pose(corners - middle, focal_px, side_mm)[0]

    mm_per_px, tilt_deg = _pose(quad - middle, focal_px, side_mm)
    from_corners = _propagate(by_pose, quad, _CORNER_SD_PX)
    from_edges = mm_per_px * 2 * _EDGE_SD_PX / float(sides_px(quad).mean())
    error = hypot(from_corners, from_edges)
    if photo.focal_px is None:
        # The truth lies between a phone's lens and a very long one: half the gap is one error.
        error = hypot(error, (mm_per_px - _mm_per_px_of_long_lens(quad, side_mm)) / 2)
    return mm_per_px, error, tilt_deg


def _pose(quad: Floats, focal_px: float, side_mm: float) -> tuple[float, float]:
    """mm per px at the centre, and tilt in degrees, of corners counted from the principal point.

    Of the two poses that explain a square the one with the smaller residual is taken (Collins and
    Bartoli 2014, infinitesimal plane-based pose estimation).
    """
    half = side_mm / 2
    square = np.array([(-half, half, 0), (half, half, 0), (half, -half, 0), (-half, -half, 0)])
    lens = np.diag([focal_px, focal_px, 1.0])
    _, turns, places, residuals = cv2.solvePnPGeneric(
        square, quad.reshape(4, 1, 2), lens, np.zeros(4), flags=cv2.SOLVEPNP_IPPE_SQUARE
    )
    best = int(np.argmin(np.ravel(residuals)))
    normal = cv2.Rodrigues(turns[best])[0][:, 2]
    tilt_deg = degrees(acos(min(abs(float(normal[2])), 1.0)))
    return float(np.ravel(places[best])[2]) / focal_px, tilt_deg


def _mm_per_px_of_long_lens(quad: Floats, side_mm: float) -> float:
    """Inverse of the larger singular value of the homography's slope at the marker's centre."""
    half = side_mm / 2
    square = np.array([(-half, -half), (half, -half), (half, half), (-half, half)], np.float32)
    flat = cv2.getPerspectiveTransform(square, quad.astype(np.float32))
    slope = flat[:2, :2] - np.outer(flat[:2, 2], flat[2, :2])
    return 1 / float(np.linalg.svd(slope, compute_uv=False)[0])


def _propagate(function: Callable[[Floats], float], at: Floats, sd: float) -> float:
    """Standard error of `function(at)` when every element of `at` has the error `sd`."""
    effects = []
    for index in np.ndindex(at.shape):
        step = np.zeros_like(at)
        step[index] = sd
        effects.append((function(at + step) - function(at - step)) / 2)
    return float(np.linalg.norm(effects))


def _as_corners(quad: Floats) -> Corners:
    first, second, third, fourth = ((float(x), float(y)) for x, y in quad)
    return first, second, third, fourth


def _cut_reference(grey: Image, quad: Floats, side_mm: float) -> Reference:
    mirrored = is_mirrored(grey, quad, DICTIONARY)
    longest = float(sides_px(quad).max())
    return Reference(
        marker_id=UNREAD,
        side_mm=side_mm,
        corners_px=_as_corners(quad),
        side_px=longest,
        tilt_deg=0.0,
        mm_per_px=side_mm / longest,
        # Nothing is known of the part that is missing.
        mm_per_px_error=side_mm / longest,
        doubts=(Doubt.MARKER_MIRRORED if mirrored else Doubt.MARKER_CUT,),
    )

"""Photos of the board → the lens: focal length, middle and distortion, each as sure as they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import degrees, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.camera import drawn_px, ideal_px
from fruitvision.domain import Camera, LensCalibration
from fruitvision.errors import LensNotCalibrated
from fruitvision.lens.board import COLUMNS, ROWS, corner_places
from fruitvision.lens.corners import SeenBoard

Floats = NDArray[np.float64]

# Photos that a calibration needs. Common practice: 10 to 20; the least is our choice.
FEWEST_PHOTOS = 8
# Angle between the two most different views of the board, degrees. Our choice: from one side only,
# a short lens near by and a long one far away look alike.
LEAST_VIEWS_DEG = 20.0
# Relative error of the focal length beyond which it is no better than the photos' tags, which are
# rounded to a whole mm of 26: 2 %. Our choice: half of that.
MOST_FOCAL_ERROR = 0.01
# Reprojection error as a share of the focal length: above the first the board is doubted, above
# the second refused. Our choice: 1 and 4 px of a phone's 3,000; a good print gives 0.2 to 0.6 px.
DOUBTED_REPROJECTION, MOST_REPROJECTION = 1 / 3000, 4 / 3000
# A photo whose error is so many times the usual one, and above the first limit, is left out: it is
# blurred, or the board was bent. Our choice.
_ODD_PHOTO = 3.0
# A corner of the picture is seen where a corner of the board lies in the outer part of it, as a
# share of its width and of its height. Our choice.
_CORNER_SHARE = 0.12
# Groups of the jackknife, so that many photos take no longer. Our choice.
_MOST_GROUPS = 20
# Standard errors that k3 must be off 0. Common practice: 3.
_SURE_STEPS = 3.0
_WHERE = ("top left", "top right", "bottom left", "bottom right")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Fit:
    camera: Camera
    focal_sd_px: float
    radial_3_sd: float
    photo_errors_px: Floats
    turns: Floats
    places: Floats
    reprojection_px: float


def calibrate(
    boards: Sequence[SeenBoard], *, square_mm: float, made_on: date
) -> tuple[LensCalibration, tuple[SeenBoard, ...]]:
    """The lens that took these photos of the board.

    Parameters
    ----------
    boards : sequence of SeenBoard
        Photos of one phone, lens and size, each with 12 corners or more.
    square_mm : float
        Printed side of a square, mm. It sets the distance only: focal length and distortion are
        the same for any.
    made_on : date

    Returns
    -------
    calibration : LensCalibration
        Its error of the focal length is the larger of what the corners' scatter gives and of a
        jackknife over photos (Efron and Stein 1981).
    left_out : tuple of SeenBoard
        Photos that fit far worse than the others and were not used.

    Raises
    ------
    LensNotCalibrated
        If there are fewer than 8 photos, all show the board from the same side, it is not flat, or
        the focal length is not known to 1 %.
    """
    _refuse_too_few(len(boards))
    fit = _best_fit(boards)
    most_px = max(
        _ODD_PHOTO * float(np.median(fit.photo_errors_px)),
        DOUBTED_REPROJECTION * fit.camera.focal_px,
    )
    kept = [
        board for board, error in zip(boards, fit.photo_errors_px, strict=True) if error <= most_px
    ]
    left_out = tuple(board for board in boards if board not in kept)
    if left_out:
        _refuse_too_few(len(kept))
        fit = _best_fit(kept)
    radial_3 = fit.camera.distortion[-1] != 0
    focal_error_px = max(fit.focal_sd_px, _jackknifed(kept, radial_3=radial_3))
    _refuse_weak(fit, focal_error_px, kept)
    first = kept[0].photo
    width_px, height_px = kept[0].size_px
    distance_mm = float(np.median(_middles(fit)[:, 2])) * square_mm
    calibration = LensCalibration(
        phone=first.phone,
        lens=first.lens,
        focal_35mm=first.focal_35mm,
        focal_mm=first.focal_mm,
        width_px=width_px,
        height_px=height_px,
        camera=fit.camera,
        focal_error_px=focal_error_px,
        reprojection_px=fit.reprojection_px,
        distance_mm=distance_mm,
        square_mm=square_mm,
        photos=len(kept),
        corners=sum(map(len, kept)),
        made_on=made_on,
        remarks=_remarks(fit, kept),
    )
    return calibration, left_out


# ---------------------------------------------------------------- fit


def _best_fit(boards: Sequence[SeenBoard]) -> _Fit:
    """With k3 where the board lay far enough out to tell it, and it is there; else without.

    A k3 that is none bends only the corners of the picture.
    """
    if _reaches_out(boards):
        fit = _fit(boards, radial_3=True)
        if abs(fit.camera.distortion[-1]) > _SURE_STEPS * fit.radial_3_sd:
            return fit
    return _fit(boards, radial_3=False)


def _fit(boards: Sequence[SeenBoard], *, radial_3: bool) -> _Fit:
    """Least squares of all corners; without `radial_3`, k3 stays 0."""
    flags = cv2.CALIB_FIX_ASPECT_RATIO | (0 if radial_3 else cv2.CALIB_FIX_K3)
    places = corner_places().astype(np.float32)
    try:
        found = cv2.calibrateCameraExtended(
            [places[board.numbers] for board in boards],
            [board.corners_px.astype(np.float32) for board in boards],
            boards[0].size_px,
            np.eye(3),
            np.zeros(5),
            flags=flags,
        )
    except cv2.error as err:
        raise _one_sided() from err
    reprojection_px, lens, distortion, turns, shifts, sds, _, photo_errors = found
    k1, k2, p1, p2, k3 = (float(value) for value in np.ravel(distortion)[:5])
    camera = Camera(
        focal_px=float(lens[0, 0]),
        middle_x_px=float(lens[0, 2]),
        middle_y_px=float(lens[1, 2]),
        distortion=(k1, k2, p1, p2, k3),
        calibrated=True,
    )
    return _Fit(
        camera=camera,
        focal_sd_px=float(np.ravel(sds)[:2].max()),
        radial_3_sd=float(np.ravel(sds)[8]),
        photo_errors_px=np.ravel(photo_errors),
        turns=np.array([cv2.Rodrigues(turn)[0] for turn in turns]),
        places=np.array([np.ravel(shift) for shift in shifts]),
        reprojection_px=float(reprojection_px),
    )


def _jackknifed(boards: Sequence[SeenBoard], *, radial_3: bool) -> float:
    """Standard error of the focal length, px, from leaving out photos: each, or groups of them."""
    groups = min(len(boards), _MOST_GROUPS)
    focals = np.array(
        [
            _fit(
                [board for place, board in enumerate(boards) if place % groups != group],
                radial_3=radial_3,
            ).camera.focal_px
            for group in range(groups)
        ]
    )
    return sqrt((groups - 1) / groups * float(np.square(focals - focals.mean()).sum()))


def _middles(fit: _Fit) -> Floats:
    """(N, 3) where the board's middle lay before the lens, in squares."""
    middle = np.array([COLUMNS / 2, ROWS / 2, 0.0])
    return np.asarray(fit.turns @ middle + fit.places)


# ---------------------------------------------------------------- what is not good enough


def _refuse_too_few(photos: int) -> None:
    if photos < FEWEST_PHOTOS:
        raise LensNotCalibrated(
            f"{photos} usable photos of the board, {FEWEST_PHOTOS} are needed.",
            fix="Take more with the same phone, lens and picture size; 12 are better.",
        )


def _one_sided() -> LensNotCalibrated:
    return LensNotCalibrated(
        "All photos show the board from about the same side.",
        fix="Tilt it by about 30° to the left, right, front and back, and turn the phone once.",
    )


def _refuse_weak(fit: _Fit, focal_error_px: float, boards: Sequence[SeenBoard]) -> None:
    camera = fit.camera
    if _views_apart_deg(fit) < LEAST_VIEWS_DEG:
        raise _one_sided()
    if fit.reprojection_px > MOST_REPROJECTION * camera.focal_px:
        raise LensNotCalibrated(
            f"The board does not fit its photos by {fit.reprojection_px:.1f} px: it is not flat, "
            "or not printed to one scale across and down.",
            fix="Glue it on glass or a stiff board, measure its ruler and its height, try again.",
        )
    if focal_error_px > MOST_FOCAL_ERROR * camera.focal_px or not _goes_back(camera, boards):
        raise LensNotCalibrated(
            f"The focal length stays unsure by {focal_error_px / camera.focal_px:.1%}.",
            fix="Take more photos: board over the whole picture, tilted by 30° to each side.",
        )


def _views_apart_deg(fit: _Fit) -> float:
    """Largest angle between the board's directions in two photos, degrees."""
    normals = fit.turns[:, :, 2]
    return degrees(float(np.arccos(np.clip((normals @ normals.T).min(), -1, 1))))


def _goes_back(camera: Camera, boards: Sequence[SeenBoard]) -> bool:
    """Whether every place in the picture has one direction that is drawn there."""
    width_px, height_px = boards[0].size_px
    frame = np.array(
        [(x, y) for x in np.linspace(0, width_px - 1, 9) for y in np.linspace(0, height_px - 1, 9)]
    )
    with np.errstate(all="ignore"):
        try:
            back = drawn_px(ideal_px(frame, camera), camera)
        except np.linalg.LinAlgError:
            return False
    return bool(np.all(np.abs(back - frame) < 0.01))


def _remarks(fit: _Fit, boards: Sequence[SeenBoard]) -> tuple[str, ...]:
    """What weakens a calibration, in words."""
    remarks = []
    if not boards[0].photo.phone:
        remarks.append(
            "The photos do not name their phone: this lens is used for every photo of this shape "
            "that names none either. Better copy the originals by cable or card and try again."
        )
    if missed := _corners_missed(boards):
        remarks.append(
            f"No corner of the board lay {_listed(missed)} in the picture, phone held across: "
            "the lens is less sure there. Take two more photos with the board there."
        )
    if fit.reprojection_px > DOUBTED_REPROJECTION * fit.camera.focal_px:
        remarks.append(
            f"The board fits its photos to {fit.reprojection_px:.1f} px only: glue it on glass or "
            "a stiff board, hold still, and try again."
        )
    return tuple(remarks)


def _reaches_out(boards: Sequence[SeenBoard]) -> bool:
    """Whether the board lay in a corner of the picture, far enough out to tell k3 from k2."""
    return len(_corners_missed(boards)) < len(_WHERE)


def _corners_missed(boards: Sequence[SeenBoard]) -> list[str]:
    """Corners of the picture, as the sensor gives it, in which no photo had the board."""
    points = np.vstack([board.corners_px for board in boards])
    width_px, height_px = boards[0].size_px
    left, right = (
        points[:, 0] < _CORNER_SHARE * width_px,
        points[:, 0] > (1 - _CORNER_SHARE) * width_px,
    )
    top, bottom = (
        points[:, 1] < _CORNER_SHARE * height_px,
        points[:, 1] > (1 - _CORNER_SHARE) * height_px,
    )
    seen = (left & top, right & top, left & bottom, right & bottom)
    return [where for where, inside in zip(_WHERE, seen, strict=True) if not inside.any()]


def _listed(words: Sequence[str]) -> str:
    return " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)

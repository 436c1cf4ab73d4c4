"""Step 3: from references to millimetres per pixel, and outlines freed of the lens's stretch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from math import hypot, isfinite, sqrt

import numpy as np
from numpy.typing import NDArray

from fruitvision.camera import usual_camera
from fruitvision.domain import (
    Ball,
    DepthGrade,
    Doubt,
    Doubts,
    Photo,
    Reference,
    Scale,
    merge_doubts,
)
from fruitvision.errors import ScaleRefused, SettingsError
from fruitvision.scale_plane import Sighting, at_odds, plane_through

Floats = NDArray[np.float64]

# A marker with one of these gives no scale.
UNUSABLE = (
    Doubt.MARKER_CUT,
    Doubt.MARKER_TILTED,
    Doubt.MARKER_SMALL,
    Doubt.MARKER_BENT,
    Doubt.MARKER_UNCLEAR,
    Doubt.MARKER_MIRRORED,
)
# Two markers hung at fruit depth may differ by what their depths differ: 50 mm at 2 m is 2.5 %. A
# sheet printed "fit to page" is 3 % or more off. Our choice lies between the two.
MOST_DISAGREEMENT = 0.03
# ... and by noise: two standard errors of their difference, as is common practice.
_NOISE_STEPS = 2.0
# Relative error of a scale that somebody typed in without its error. Our choice: 2.3 m paced out.
_BY_HAND_ERROR = 0.03


def scale_from_references(
    references: Sequence[Reference], photo: Photo
) -> tuple[Scale | None, Doubts]:
    """Scale in the plane of the markers, and what weakens it or why there is none.

    Parameters
    ----------
    references : sequence of Reference
        As found in `photo`. One that is cut, tilted over 35° or under 40 px is not used.
    photo : Photo
        Its focal length, if known, gives the distance.

    Returns
    -------
    scale : Scale or None
        Weighted by the inverse variances of the usable references; None without one.
    doubts : Doubts
        Those of the scale, or the reasons why there is none.

    Raises
    ------
    ScaleRefused
        If two usable references differ by more than 3 % and by more than twice the standard error
        of their difference.
    """
    usable = [one for one in references if not set(one.doubts) & set(UNUSABLE)]
    if not usable:
        found = merge_doubts(*(one.doubts for one in references))
        return None, found or (Doubt.NO_MARKER,)
    for one, other in combinations(usable, 2):
        _refuse_if_they_disagree(one, other)
    doubts: Doubts = () if photo.focal_px else (Doubt.LENS_UNKNOWN,)
    mm_per_px, error = _weighted_mean(
        [one.mm_per_px for one in usable], [one.mm_per_px_error for one in usable]
    )
    scale = Scale(mm_per_px=mm_per_px, mm_per_px_error=error, doubts=doubts)
    return with_distance(scale, photo), doubts


def scale_from_all(
    references: Sequence[Reference], balls: Sequence[Ball], photo: Photo
) -> tuple[Scale | None, Doubts, tuple[str, ...]]:
    """Scale over the picture from all markers and balls in it.

    Parameters
    ----------
    references : sequence of Reference
    balls : sequence of Ball
        As found in `photo`. One with any doubt is not used.
    photo : Photo
        Its focal length, if known, gives the distance.

    Returns
    -------
    scale : Scale or None
        One marker or ball: the same everywhere. Two markers: their mean. A ball beside others, or
        three and more: the plane through them, with an error that holds their spread. None without
        one that can be used.
    doubts : Doubts
        Those of the scale, or the reasons why there is none.
    remarks : tuple of str
        References that were left out, with what they say.

    Raises
    ------
    ScaleRefused
        If references contradict each other and it can't be told which is wrong.
    """
    usable = [one for one in references if not set(one.doubts) & set(UNUSABLE)]
    clear = [ball for ball in balls if not ball.doubts]
    unclear = merge_doubts(*(ball.doubts for ball in balls))
    if not clear and len(usable) < 3:
        scale, doubts = scale_from_references(references, photo)
        if scale is None and unclear:
            doubts = merge_doubts(unclear, tuple(one for one in doubts if one != Doubt.NO_MARKER))
        elif scale is not None and len(usable) > 1:
            scale = replace(scale, grade=DepthGrade.REFERENCES)
        return scale, doubts, _unclear_words(balls)
    sightings = [*map(_marker_sighting, usable), *map(_ball_sighting, clear)]
    odd = at_odds(sightings)
    if len(odd) == len(sightings) > 1:
        raise ScaleRefused(
            f"References disagree: {'; '.join(one.name for one in odd)}.",
            fix="Check the size of each, hang all at the depth of the fruit, or leave the wrong "
            "one away.",
        )
    kept = [one for one in sightings if one not in odd]
    lens: Doubts = () if photo.focal_px else (Doubt.LENS_UNKNOWN,)
    doubts = merge_doubts(lens, (Doubt.REFERENCE_LEFT_OUT,) if odd else ())
    if len(kept) == 1:
        scale = Scale(mm_per_px=kept[0].mm_per_px, mm_per_px_error=kept[0].mm_per_px_error)
    else:
        scale = plane_through(kept, photo.focal_px or usual_camera(photo).focal_px)
    words = tuple(
        f"Left out: {one.name}; the others say {scale.at(one.x_px, one.y_px)[0]:.4f} there."
        for one in odd
    )
    scale = with_distance(replace(scale, doubts=doubts), photo)
    return scale, doubts, words + _unclear_words(balls)


def _marker_sighting(reference: Reference) -> Sighting:
    x, y = (float(one) for one in np.mean(reference.corners_px, axis=0))
    return Sighting(
        name=_named(reference),
        x_px=x,
        y_px=y,
        mm_per_px=reference.mm_per_px,
        mm_per_px_error=reference.mm_per_px_error,
    )


def _ball_sighting(ball: Ball) -> Sighting:
    says = f"{ball.mm_per_px:.4f} ± {ball.mm_per_px_error:.4f} mm per px"
    return Sighting(
        name=f"{_ball_words(ball)} says {says}",
        x_px=ball.centre_x_px,
        y_px=ball.centre_y_px,
        mm_per_px=ball.mm_per_px,
        mm_per_px_error=ball.mm_per_px_error,
    )


def _ball_words(ball: Ball) -> str:
    return (
        f"ball of {ball.diameter_mm:g} mm at x {ball.centre_x_px:.0f}, y {ball.centre_y_px:.0f} px"
    )


def _unclear_words(balls: Sequence[Ball]) -> tuple[str, ...]:
    return tuple(
        f"{_ball_words(ball).capitalize()}: {ball.doubts[0].words}" for ball in balls if ball.doubts
    )


def scale_by_hand(mm_per_px: float, *, error: float | None = None) -> Scale:
    """Scale that somebody typed in.

    Parameters
    ----------
    mm_per_px : float
        Millimetres per pixel at the fruit.
    error : float, optional
        Its standard error, mm per px; 3 % if left out.

    Raises
    ------
    SettingsError
        If the scale is not above 0 or its error is below 0.
    """
    if not (isfinite(mm_per_px) and mm_per_px > 0):
        raise SettingsError(
            f"A scale of {mm_per_px} mm per px is impossible.", fix="Give a number above 0."
        )
    error = _BY_HAND_ERROR * mm_per_px if error is None else error
    if not (isfinite(error) and error >= 0):
        raise SettingsError(
            f"A scale error of {error} mm per px is impossible.", fix="Give a number of 0 or more."
        )
    return Scale(mm_per_px=mm_per_px, mm_per_px_error=error, doubts=(Doubt.SCALE_BY_HAND,))


def with_distance(scale: Scale, photo: Photo) -> Scale:
    """The same scale with the distance of its plane from the lens, where the lens is known."""
    if photo.focal_px is None:
        return scale
    return replace(scale, distance_mm=scale.mm_per_px * photo.focal_px)


def _refuse_if_they_disagree(one: Reference, other: Reference) -> None:
    gap = abs(one.mm_per_px - other.mm_per_px)
    mean = (one.mm_per_px + other.mm_per_px) / 2
    noise = hypot(one.mm_per_px_error, other.mm_per_px_error)
    if gap > MOST_DISAGREEMENT * mean and gap > _NOISE_STEPS * noise:
        raise ScaleRefused(
            f"Two markers disagree by {gap / mean:.0%}: {_named(one)}, {_named(other)}.",
            fix="Hang both at the depth of the fruit, check that both were printed at 100 %, "
            "or leave one away, and take the photo again.",
        )


def _named(reference: Reference) -> str:
    x, y = np.mean(reference.corners_px, axis=0)
    return (
        f"marker {reference.marker_id} at x {x:.0f}, y {y:.0f} px says "
        f"{reference.mm_per_px:.4f} ± {reference.mm_per_px_error:.4f} mm per px"
    )


def _weighted_mean(values: Sequence[float], errors: Sequence[float]) -> tuple[float, float]:
    """Inverse-variance mean; its error grows where the values scatter more than they claim.

    References
    ----------
    Birge, R. T. (1932), The calculation of errors by the method of least squares, Physical Review
    40:207 (from memory, unverified): scale the error by the root of chi-square per degree.
    """
    weights = 1 / np.square(errors)
    mean = float(np.average(values, weights=weights))
    error = 1 / sqrt(float(weights.sum()))
    if len(values) > 1:
        chi_square = float(weights @ np.square(np.asarray(values) - mean)) / (len(values) - 1)
        error *= max(1.0, sqrt(chi_square))
    return mean, error


def remove_off_axis_stretch(
    outlines: Floats, *, focal_px: float, principal_point_px: tuple[float, float]
) -> Floats:
    """Diameters as a disc on the axis at the same depth would show them.

    Parameters
    ----------
    outlines : (N, 5) float
        Ellipses: centre x, centre y, long axis, short axis (full lengths, px), direction of the
        long axis (degrees clockwise from +x).
    focal_px : float
        Focal length, px.
    principal_point_px : tuple of float
        Where the optical axis meets the picture: the middle, ((width - 1) / 2, (height - 1) / 2).

    Returns
    -------
    (N,) float
        Long axis of each freed outline, px. Times depth over focal length it is a length in mm.

    Notes
    -----
    A lens stretches a ball's outline away from the middle, by about 1 / cos t at the angle t off
    the axis, and shows a little more than its widest circle. Across: a half axis B belongs to
    sin a = B cos t / sqrt(f² + B²), and f 2 sin a / cos t is the disc. Along: the outline reaches
    from f tan(t - a) to f tan(t + a). Both are exact for a ball. Other outlines are split into
    these two directions, shrunk by what a ball of that size would need, and joined again.
    """
    outlines = np.asarray(outlines, dtype=np.float64).reshape(-1, 5)
    from_middle = outlines[:, :2] - np.asarray(principal_point_px)
    off_axis_px = np.hypot(*from_middle.T)
    # The long axis against the line from the middle to the fruit.
    turn = np.radians(outlines[:, 4]) - np.arctan2(from_middle[:, 1], from_middle[:, 0])
    half_long, half_short = outlines[:, 2] / 2, outlines[:, 3] / 2
    along = _reach(half_long, half_short, turn)
    across = _reach(half_short, half_long, turn)
    shrink_along = _disc_from_radial(along, off_axis_px, focal_px) / along
    shrink_across = focal_px / np.hypot(focal_px, across)
    axes = np.array(
        [
            [half_long * np.cos(turn) * shrink_along, -half_short * np.sin(turn) * shrink_along],
            [half_long * np.sin(turn) * shrink_across, half_short * np.cos(turn) * shrink_across],
        ]
    )
    return np.asarray(2 * np.linalg.svd(np.moveaxis(axes, -1, 0), compute_uv=False)[:, 0])


def _reach(along: Floats, across: Floats, turn: Floats) -> Floats:
    """How far an ellipse turned by `turn` reaches, from its centre, in the unturned direction."""
    return np.asarray(np.hypot(along * np.cos(turn), across * np.sin(turn)))


def _disc_from_radial(half_px: Floats, centre_px: Floats, focal_px: float) -> Floats:
    """Half size of the disc on the axis, from the half axis of a ball that points to the middle."""
    far = np.arctan((centre_px + half_px) / focal_px)
    near = np.arctan((centre_px - half_px) / focal_px)
    return np.asarray(focal_px * np.sin((far - near) / 2) / np.cos((far + near) / 2))

"""The four sides of a square marker: each as a line through its edge, where a twig or a glint on
one corner stops the usual refinement, and how blurred they are."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

# Points along a side, and the part of it at each end that is left out: corners are rounded by blur.
_POINTS = 48
_LEFT_OUT = 0.08
# How far from the rough side its edge is looked for, as a share of its length: rough corners lie up
# to 6 % inside; the black rim inside the edge is an eighth wide, with its light on the other side.
_REACH = 0.11
_STEP_PX = 0.25
# A point is on the side's line within so many px; so many of them must be.
_ON_LINE_PX = 0.6
_FEWEST_ON_LINE = 0.6
_ROUNDS = 6
# Part of a side, at each end, that is left out where its blur is told: the other side's is near.
_BLUR_LEFT_OUT = 0.15
# Width between a quarter and three quarters of a Gaussian edge's light, in standard deviations.
_HALF_WIDTH = 1.349


def corners_by_sides(light: Image, rough: Floats) -> Floats | None:
    """Corners (4, 2) where lines through the four edges meet; None if a side has no clear edge.

    Parameters
    ----------
    light : (H, W) uint8
        The picture in linear light, so that blur leaves the edge where its light is half.
    rough : (4, 2) float
        Corners in order, up to 6 % of a side off.
    """
    middle = rough.mean(axis=0)
    lines = [_side(light, rough[number], rough[(number + 1) % 4], middle) for number in range(4)]
    found = [line for line in lines if line is not None]
    if len(found) < 4:
        return None
    corners = [_meet(found[number - 1], found[number]) for number in range(4)]
    return np.array(corners)


def edge_blur_px(light: Image, quad: Floats) -> float:
    """Standard deviation of the blur across a marker's sides, px; the middle one of the four.

    Parameters
    ----------
    light : (H, W) uint8
        The picture in linear light.
    quad : (4, 2) float
        Corners in order.
    """
    middle = quad.mean(axis=0)
    return float(
        np.median([_blur(light, quad[one], quad[(one + 1) % 4], middle) for one in range(4)])
    )


def _blur(light: Image, start: Floats, end: Floats, middle: Floats) -> float:
    _, _, profile = _across(light, start, end, middle, left_out=_BLUR_LEFT_OUT)
    usual = np.median(profile, axis=0)
    # The white cells inside and whatever lies beyond the sheet may be near.
    half = len(usual) // 2
    dark, bright = usual[:half].min(), usual[half:].max()
    lowest, highest = int(usual[:half].argmin()), half + int(usual[half:].argmax())
    share = np.maximum.accumulate((usual[lowest : highest + 1] - dark) / max(bright - dark, 1.0))
    # Ever higher, so that each share of the light has one place.
    share = share + 1e-9 * np.arange(len(share))
    quarter, three = np.interp([0.25, 0.75], share, _STEP_PX * np.arange(len(share)))
    return float(three - quarter) / _HALF_WIDTH


def _across(
    light: Image, start: Floats, end: Floats, middle: Floats, *, left_out: float
) -> tuple[Floats, Floats, Floats]:
    """Places along a side (N, 2), the way outwards (2,), and the light across it (N, K)."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    outwards = np.array([along[1], -along[0]])
    if outwards @ (start - middle) < 0:
        outwards = -outwards
    steps = _steps(length)
    places = start + np.linspace(left_out, 1 - left_out, _POINTS)[:, None] * length * along
    at = places[:, None, :] + steps[None, :, None] * outwards
    profile = cv2.remap(
        light.astype(np.float32),
        at[..., 0].astype(np.float32),
        at[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return places, outwards, np.asarray(profile, dtype=np.float64)


def _steps(length: float) -> Floats:
    reach = _REACH * length
    return np.arange(-reach, reach + _STEP_PX, _STEP_PX)


def _side(light: Image, start: Floats, end: Floats, middle: Floats) -> Floats | None:
    """(3,) line a x + b y = c through the edge, dark inside and light outside; None if unclear."""
    places, outwards, profile = _across(light, start, end, middle, left_out=_LEFT_OUT)
    rise = _smoothed(np.gradient(profile, axis=1))
    edge = _peaks(rise, _steps(float(np.hypot(*(end - start)))))
    return _line_through(places + edge[:, None] * outwards)


def _smoothed(rise: Floats) -> Floats:
    """Each row smoothed over a px."""
    width = round(1.0 / _STEP_PX) | 1
    kernel = np.ones(width) / width
    return np.apply_along_axis(np.convolve, 1, rise, kernel, mode="same")


def _peaks(rise: Floats, steps: Floats) -> Floats:
    """(N,) middle of the steepest rise of each row: of what lies above half of it."""
    top = rise.argmax(axis=1)
    away = np.abs(steps - steps[top][:, None])
    weight = np.where(away < 2.0, np.maximum(rise - 0.5 * rise.max(axis=1)[:, None], 0.0), 0.0)
    return np.asarray((weight * steps).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9))


def _line_through(points: Floats) -> Floats | None:
    """Line through most of the points, by least squares over those that lie near it."""
    kept = np.ones(len(points), dtype=bool)
    # The median slope starts it: half of the points may lie elsewhere (Theil and Sen).
    first, second = np.triu_indices(len(points), k=8)
    steps = points[second] - points[first]
    direction = np.median(steps / np.linalg.norm(steps, axis=1, keepdims=True), axis=0)
    normal = np.array([direction[1], -direction[0]]) / np.hypot(*direction)
    offset = float(np.median(points @ normal))
    for _ in range(_ROUNDS):
        kept = np.abs(points @ normal - offset) < _ON_LINE_PX
        if kept.mean() < _FEWEST_ON_LINE:
            return None
        mean = points[kept].mean(axis=0)
        normal = np.linalg.svd(points[kept] - mean)[2][1]
        offset = float(mean @ normal)
    return np.array([*normal, offset])


def _meet(one: Floats, other: Floats) -> Floats:
    return np.asarray(np.linalg.solve(np.array([one[:2], other[:2]]), [one[2], other[2]]))

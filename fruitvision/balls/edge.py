"""Where the edge of a ball lies along each ray, and the circle that most of these edges are on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Distance of samples along a ray, window px.
SPACING_PX = 0.5
# Samples on each side of an edge that tell its place. Our choice: 4.5 px are three blurs of a soft
# lens, and few enough that the next leaf is not yet in.
_HALF = 9
# Stored values that differ by less are noise, share of full scale. Our choice: 1 to 2 % is common.
_NOISE = 0.012
# Smallest gain of an edge that counts: 2 is a likelihood ratio of 7. Our choice.
LEAST_GAIN = 2.0
# Tukey's biweight: 95 % of the efficiency of least squares (Holland and Welsch 1977).
_BIWEIGHT = 4.685
# Spread below which edges are all taken as good, window px. Our choice: what a clean edge shows.
_LEAST_SPREAD_PX = 0.08
_TURNS = 25
# Fewest edges that make a circle. Our choice.
_FEWEST = 8


def edge_gains(values: Floats, first_px: float, steps: Floats, blur: float) -> Floats:
    """How much better an edge at each step explains a ray than no edge does there.

    Parameters
    ----------
    values : (N, M, C) float
        Light, or stored values, along N rays, `SPACING_PX` apart.
    first_px : float
        Where the first sample lies, outwards, window px.
    steps : (E,) float
        Where the edge is tried.
    blur : float
        Standard deviation of the lens's blur, window px.

    Returns
    -------
    (N, E) float
        Gain in log likelihood; 0 where the ray does not reach far enough.

    Notes
    -----
    Around each step light may change linearly inside and linearly outside, both blurred together
    at the edge; what this leaves is held against the same without a jump at the edge.
    """
    flat = np.moveaxis(values, 2, 1)
    gains = np.zeros((len(values), len(steps)))
    for index, step in enumerate(steps):
        middle = round((float(step) - first_px) / SPACING_PX)
        if middle < _HALF or middle + _HALF >= values.shape[1]:
            continue
        part = flat[:, :, middle - _HALF : middle + _HALF + 1]
        off = round(float(step) - (first_px + middle * SPACING_PX), 6)
        edge = _rest(part, _basis(off, blur)) + _NOISE**2 * part.shape[1] * part.shape[2]
        none = _rest(part, _kink(off, blur)) + _NOISE**2 * part.shape[1] * part.shape[2]
        gains[:, index] = part.shape[2] / 2 * np.log(none / edge)
    return gains


def in_stored_steps(light: Floats) -> Floats:
    """(N, M, 3) linear light of rays, scaled so that noise is about as large as in stored values.

    Each ray is divided by the slope of the sRGB curve (IEC 61966-2-1) at its mean light.
    """
    mean = np.maximum(light.mean(axis=1, keepdims=True), 0.0031)
    return np.asarray(light / (2.4 / 1.055 * mean ** (1.4 / 2.4)))


def _rest(values: Floats, basis: Floats) -> Floats:
    """(N,) sum of squares that an orthonormal basis (M, K) leaves of (N, C, M)."""
    whole = (values**2).sum(axis=(1, 2))
    return np.asarray(np.maximum(whole - ((values @ basis) ** 2).sum(axis=(1, 2)), 0))


@cache
def _basis(step: float, blur: float) -> Floats:
    """Light inside and outside, each with a slope, blurred together at the edge."""
    inside, outside, ramp_in, ramp_out = _parts(step, blur)
    return np.linalg.qr(np.column_stack([inside, outside, ramp_in, ramp_out]))[0]


@cache
def _kink(step: float, blur: float) -> Floats:
    """The same without a jump."""
    inside, outside, ramp_in, ramp_out = _parts(step, blur)
    return np.linalg.qr(np.column_stack([inside + outside, ramp_in, ramp_out]))[0]


def _parts(step: float, blur: float) -> tuple[Floats, Floats, Floats, Floats]:
    # Only here: most photos hold no ball.
    from scipy.special import ndtr

    places = SPACING_PX * np.arange(-_HALF, _HALF + 1) - step
    outside = ndtr(places / blur)
    bell = blur * np.exp(-((places / blur) ** 2) / 2) / np.sqrt(2 * np.pi)
    return 1 - outside, outside, places * (1 - outside) - bell, places * outside + bell


# ---------------------------------------------------------------- circle


@dataclass(frozen=True, slots=True, eq=False)
class Circle:
    """A circle through edges, against the one that was looked for, window px.

    Parameters
    ----------
    shift : (3,) float
        Step of the middle in x and y, and of the radius.
    radius_error_px : float
        Standard error of the last.
    on_it : (N,) bool
        Rays whose edge lies on it.
    """

    shift: Floats
    radius_error_px: float
    on_it: Bools


def ray_directions(count: int) -> Floats:
    """(count, 2) unit vectors, the first to the right, clockwise."""
    turn = np.arange(count) * 2 * np.pi / count
    return np.column_stack([np.cos(turn), np.sin(turn)])


def votes(said: Floats, steps: Floats, shifts: Floats) -> Floats:
    """(S,) what all rays together say for each shift.

    Parameters
    ----------
    said : (N, E) float
        What each ray says for an edge at each of `steps` (E,), equally spaced.
    shifts : (S, 3) float
        Steps of a circle's middle in x and y, and of its radius.
    """
    spacing = steps[1] - steps[0]
    total = np.zeros(len(shifts))
    for ray, direction in zip(said, ray_directions(len(said)), strict=True):
        where = (shifts[:, :2] @ direction + shifts[:, 2] - steps[0]) / spacing
        index = np.rint(where).astype(np.int64)
        reached = (index >= 0) & (index < len(steps))
        total += np.where(reached, ray[index.clip(0, len(steps) - 1)], 0)
    return total


def fit_circle(
    gains: Floats,
    steps: Floats,
    trust: Floats,
    *,
    near: Floats,
    reach_px: float,
    most_spread_px: float,
) -> Circle | None:
    """The circle through each ray's best edge near a first circle, outliers left out.

    Parameters
    ----------
    gains, trust : (N, E) float
        Gain of an edge at each of `steps`, and how far it may be the ball's, 0 to 1.
    near : (3,) float
        The first circle, as `Circle.shift`.
    reach_px : float
        How far from it a ray's edge is looked for.
    most_spread_px : float
        Largest spread that edges of one circle are granted.

    Returns
    -------
    Circle or None
        None with fewer than 8 edges.
    """
    rows = np.column_stack([ray_directions(len(gains)), np.ones(len(gains))])
    far = np.abs(steps - (rows @ near)[:, None]) > reach_px
    reached = np.where(far, -np.inf, gains)
    best = reached.argmax(axis=1)
    index = np.arange(len(best))
    strong = reached[index, best] > LEAST_GAIN
    if strong.sum() < _FEWEST:
        return None
    places = _between(gains, steps, best)
    sure = np.where(strong, trust[index, best], 0)
    shift, weights = near, sure
    for _ in range(_TURNS):
        rest = places - rows @ shift
        spread = 1.4826 * float(np.median(np.abs(rest[strong])))
        spread = min(max(spread, _LEAST_SPREAD_PX), most_spread_px)
        weights = sure * np.clip(1 - (rest / (_BIWEIGHT * spread)) ** 2, 0, None) ** 2
        if (weights > 0).sum() < _FEWEST:
            return None
        root = np.sqrt(weights)
        shift = np.linalg.lstsq(rows * root[:, None], places * root, rcond=None)[0]
    rest = places - rows @ shift
    on_it = strong & (np.abs(rest) < 2.5 * spread)
    scatter = np.sqrt(float(weights @ rest**2) / max(float(weights.sum()) - 3, 1))
    spans = np.linalg.pinv((rows * weights[:, None]).T @ rows)
    return Circle(shift=shift, radius_error_px=float(scatter * np.sqrt(spans[2, 2])), on_it=on_it)


def _between(gains: Floats, steps: Floats, best: NDArray[np.int64]) -> Floats:
    """Edges between the steps: the top of the parabola through three gains."""
    rows = np.arange(len(best))
    inner = best.clip(1, len(steps) - 2)
    low, mid, high = (gains[rows, inner + k] for k in (-1, 0, 1))
    bend = low - 2 * mid + high
    part = np.where(bend < 0, (low - high) / np.where(bend < 0, 2 * bend, 1), 0).clip(-0.5, 0.5)
    return np.asarray(steps[best] + np.where(inner == best, part, 0) * (steps[1] - steps[0]))

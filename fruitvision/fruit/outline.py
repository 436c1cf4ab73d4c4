"""Full outline of a fruit as an ellipse, from the part of its rim that is seen."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import Plane

Floats = NDArray[np.float64]

RAYS = 64
ANGLES = np.arange(RAYS) * 2 * np.pi / RAYS
# Terms of the polar form below, (RAYS, 5).
BASIS = np.stack(
    [
        np.ones(RAYS),
        -2 * np.cos(ANGLES),
        -2 * np.sin(ANGLES),
        -2 * np.cos(2 * ANGLES),
        -2 * np.sin(2 * ANGLES),
    ],
    axis=1,
)
# The rim is looked for between these shares of the guessed radius: widely first, then closely.
WIDE = np.arange(0.55, 1.46, 0.02)
CLOSE = np.arange(0.80, 1.205, 0.01)
# How freely the rim may leave the guess, as a share of the radius. Our choice.
WIDE_SPREAD, CLOSE_SPREAD = 0.30, 0.15
WIDE_PASSES = 3
# First guesses, times the radius of the circle that was found. Our choice: circles come out small
# where leaves cut into them.
STARTS = (0.9, 1.1, 1.3)
# A larger start must show that much more of the rim than a smaller one. Our choice.
LARGER_MUST_GAIN = 0.08
# A ray sees the rim if the traced rim is this near to the ellipse, in radii, and the likelihood
# beyond is less than that share of the likelihood inside. Our choice, on rendered fruit.
ON_RIM = 0.03
FRUIT_ENDS_BELOW = 0.5
INSIDE = np.arange(0.30, 0.90, 0.04)
BEYOND = np.arange(1.06, 1.22, 0.04)
# Likelihood is compared over this many steps on both sides of a rim. Our choice: 0.1 radius.
FALL_STEPS = 5
# Weight of an edge across which the likelihood does not fall, against 1 for a fall from 1 to 0: two
# fruit may touch, stripes may end. Our choice.
ANY_EDGE = 1.0
# Farthest jump of the rim from one ray to the next, in steps: 0.04 or 0.02 radius over 1/64 turn.
# Our choice: follows an ellipse of axis ratio 0.75, not the lobes of a leaf.
LARGEST_JUMP = 2
# What a jump of one step costs, against 1 for the hardest edge. Our choice.
JUMP_COST = 0.02
# A rim point that is off the ellipse by more than this share of the radius is another object's.
# Shrinks from pass to pass. Our choice.
TOLERANCES = (0.20, 0.10, 0.06, 0.05, 0.05)
# Leaves in front put rim points inside, nothing puts them outside but a neighbour: points
# inside lose their say this many times sooner. Our choice.
INSIDE_COUNTS_LESS = 3.0
# Apples are nearly round: pull of the ellipse towards a circle, as a share of all rays. Our choice:
# a full rim outweighs it, a short arc does not.
ROUNDNESS_PULL = 0.008
# Flattest outline allowed, short over long axis. Apples seen from any side are above 0.8.
FLATTEST = 0.72


@dataclass(frozen=True, slots=True, eq=False)
class Detail:
    """What rims are traced in.

    Parameters
    ----------
    light : (H, W, 3) float32
        Linear light: there a blurred edge is steepest where the object ends.
    likelihood : (H, W) float32
        Looks like fruit, 0 to 1.
    """

    light: Plane
    likelihood: Plane


def fit_outlines(detail: Detail, circles: Floats) -> tuple[Floats, Floats, Floats]:
    """Ellipses through the unhidden part of each rim.

    A leaf in front makes a fruit look like a smaller one. So every fruit is fitted from several
    first guesses, and the outline whose rim is seen on most rays is kept.

    Parameters
    ----------
    detail : Detail
        The picture at outline scale.
    circles : (N, 3) float
        First guess: centre x, centre y, radius, px.

    Returns
    -------
    outlines : (N, 5) float
        Centre x, centre y, long axis, short axis (full lengths, px), direction in degrees
        clockwise from +x, -90 to 90.
    rims : (N, RAYS) float
        Distance of the traced rim from the outline's centre, px; rays run clockwise from +x.
    seen : (N,) float
        Share of the rays on which the rim is seen, 0 to 1.
    """
    starts = np.array([[1.0, 1.0, start] for start in STARTS])
    every = (circles * starts[:, None]).reshape(-1, 3)
    outlines, rims, seen = (
        part.reshape(len(STARTS), len(circles), *part.shape[1:])
        for part in _fit_from(detail, every)
    )
    gain = seen - LARGER_MUST_GAIN * np.arange(len(STARTS))[:, None]
    best = gain.argmax(0), np.arange(len(circles))
    return outlines[best], rims[best], seen[best]


def _fit_from(detail: Detail, circles: Floats) -> tuple[Floats, Floats, Floats]:
    guess = circles
    round_rim = np.ones((len(guess), RAYS))
    for _ in range(WIDE_PASSES):
        shape = fit_ellipses(trace_rims(detail, guess, round_rim, WIDE, WIDE_SPREAD))
        guess = _moved(guess, shape)
    # Closely, along the ellipse itself: its rim is then a straight path.
    close = trace_rims(detail, guess, _curve(_centred(shape)), CLOSE, CLOSE_SPREAD)
    outlines = _outlines(guess, fit_ellipses(close))
    centred = np.column_stack([outlines[:, :2], outlines[:, 2:4].mean(1) / 2])
    rims = trace_rims(detail, centred, round_rim, WIDE, WIDE_SPREAD) * centred[:, 2:]
    return outlines, rims, rim_seen(detail.likelihood, outlines, rims)


def rim_seen(likelihood: Plane, outlines: Floats, rims: Floats) -> Floats:
    """Share of rays on which the traced rim is the outline's and fruit ends there, (N,).

    A leaf in front draws the rim off the ellipse, or leaves fruit beyond it.
    """
    expected = ellipse_radii(outlines)
    at = outlines[:, :2]
    circles = np.column_stack([at, np.ones(len(at))])
    inside = _along_rays(likelihood, circles, expected[:, :, None] * INSIDE)
    beyond = _along_rays(likelihood, circles, expected[:, :, None] * BEYOND)
    on_rim = np.abs(rims / expected - 1) < ON_RIM
    ends = beyond.mean(2) < FRUIT_ENDS_BELOW * inside.mean((1, 2))[:, None]
    return np.asarray((on_rim & ends).mean(1), dtype=np.float64)


def ellipse_radii(outlines: Floats) -> Floats:
    """Distance from centre to outline along each ray, (N, RAYS)."""
    half_long, half_short = outlines[:, 2:3] / 2, outlines[:, 3:4] / 2
    turn = ANGLES - np.deg2rad(outlines[:, 4:5])
    radii = half_long * half_short / np.hypot(half_short * np.cos(turn), half_long * np.sin(turn))
    return np.asarray(radii, dtype=np.float64)


def trace_rims(
    detail: Detail, circles: Floats, expected: Floats, shares: Floats, spread: float
) -> Floats:
    """Distance of the strongest closed rim along RAYS rays, in radii of the circles, (N, RAYS).

    It is looked for at `shares` of the `expected` distances, (N, RAYS), also in radii.
    """
    distances = circles[:, 2, None, None] * expected[:, :, None] * shares
    change = _change_of_light(_along_rays(detail.light, circles, distances))
    fall = _fall(_along_rays(detail.likelihood, circles, distances))
    middles = (shares[1:] + shares[:-1]) / 2
    prior = np.exp(-0.5 * ((middles - 1.0) / spread) ** 2)
    path = _closed_path(change * (ANY_EDGE + fall) * prior)
    steps = _between_steps(change, path)
    return np.asarray(expected * (shares[0] + (shares[1] - shares[0]) * (steps + 0.5)))


def _along_rays(plane: Plane, circles: Floats, distances: Floats) -> Plane:
    """Values of a plane at distances (N, RAYS, S) from the centres: (N, RAYS, S, ...)."""
    x = (circles[:, 0, None, None] + distances * np.cos(ANGLES)[:, None]).astype(np.float32)
    y = (circles[:, 1, None, None] + distances * np.sin(ANGLES)[:, None]).astype(np.float32)
    flat = (len(circles), RAYS * distances.shape[2])
    values = cv2.remap(
        plane,
        x.reshape(flat),
        y.reshape(flat),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(values, dtype=np.float32).reshape(*x.shape, *plane.shape[2:])


def _change_of_light(values: Plane) -> Floats:
    """Change per step along each ray, 0 to 1, (N, RAYS, S - 1)."""
    smooth = (values[:, :, :-2] + values[:, :, 1:-1] + values[:, :, 2:]) / 3.0
    change = np.linalg.norm(np.diff(smooth, axis=2), axis=3)
    # Smoothing took a sample at each end: pad, so that index i lies between steps i and i + 1.
    change = np.pad(change, ((0, 0), (0, 0), (1, 1)), mode="edge")
    # Saturated: past a plain edge, harder is no better. Plain is one change in ten. Our choice.
    plain = np.percentile(change, 90, axis=(1, 2), keepdims=True) + 1e-6
    return np.asarray(change / (change + plain), dtype=np.float64)


def _fall(likelihood: Plane) -> Floats:
    """How far the likelihood falls from FALL_STEPS before to as many after, (N, RAYS, S - 1)."""
    padded = np.pad(likelihood, ((0, 0), (0, 0), (FALL_STEPS, FALL_STEPS)), mode="edge")
    sums = np.cumsum(np.pad(padded, ((0, 0), (0, 0), (1, 0))), axis=2, dtype=np.float64)
    means = (sums[:, :, FALL_STEPS:] - sums[:, :, :-FALL_STEPS]) / FALL_STEPS
    steps = likelihood.shape[2]
    before, after = means[:, :, 1:steps], means[:, :, FALL_STEPS + 1 : FALL_STEPS + steps]
    return np.asarray(np.maximum(before - after, 0.0))


def _closed_path(gain: Floats) -> NDArray[np.int64]:
    """Best path around (N, RAYS, S) that moves at most LARGEST_JUMP steps per ray, (N, RAYS).

    Twice round, so that the second lap starts where the first one ended; the middle lap, free of
    both ends, is the answer.
    """
    n, rays, steps = gain.shape
    jumps = range(-LARGEST_JUMP, LARGEST_JUMP + 1)
    total = np.zeros((n, steps))
    back = np.zeros((2 * rays, n, steps), dtype=np.int64)
    for turn in range(2 * rays):
        padded = np.pad(total, ((0, 0), (LARGEST_JUMP, LARGEST_JUMP)), constant_values=-1e9)
        options = np.stack(
            [
                padded[:, LARGEST_JUMP + jump : LARGEST_JUMP + jump + steps] - JUMP_COST * jump**2
                for jump in jumps
            ]
        )
        back[turn] = np.arange(steps) + options.argmax(0) - LARGEST_JUMP
        total = options.max(0) + gain[:, turn % rays]
    here = total.argmax(1)
    path = np.zeros((n, 2 * rays), dtype=np.int64)
    for turn in range(2 * rays - 1, -1, -1):
        path[:, turn] = here
        here = back[turn][np.arange(n), here]
    half = rays // 2
    return np.concatenate([path[:, rays : rays + half], path[:, half:rays]], axis=1)


def _between_steps(strength: Floats, path: NDArray[np.int64]) -> Floats:
    """Path with the peak placed between steps by a parabola."""
    inside = _steepest_near(strength, np.clip(path, 2, strength.shape[2] - 3))
    row = np.arange(len(path))[:, None]
    ray = np.arange(path.shape[1])[None, :]
    before, at, after = (strength[row, ray, inside + k] for k in (-1, 0, 1))
    bend = before - 2 * at + after
    peaked = bend < -1e-9
    shift = np.where(peaked, 0.5 * (before - after) / np.where(peaked, bend, 1.0), 0.0)
    return np.asarray(inside + np.clip(shift, -0.5, 0.5), dtype=np.float64)


def fit_ellipses(rim: Floats) -> Floats:
    """Robust ellipses in polar form, 1 / r² = k0 - 2 (k1 cos t + k2 sin t + k3 cos 2t + k4 sin 2t).

    Exact for an ellipse about the rays' own centre; k1 and k2 are its shift to first order. A leaf
    in front puts rim points inside the ellipse: whatever is off loses its say.

    Parameters
    ----------
    rim : (N, RAYS) float
        Distance of the rim along each ray, in radii of the guess.

    Returns
    -------
    (N, 5) float
        k0 to k4.
    """
    pull = np.diag([0.0, 1e-3, 1e-3, 4 * ROUNDNESS_PULL, 4 * ROUNDNESS_PULL]) * RAYS
    curve = np.quantile(rim, 0.65, axis=1)[:, None]
    target = rim**-2.0
    shape = np.zeros((len(rim), 5))
    for tolerance in TOLERANCES:
        off = (rim - curve) / tolerance
        weight = 1.0 / (1.0 + np.where(off < 0, INSIDE_COUNTS_LESS * off, off) ** 4)
        normal = np.einsum("nr,ri,rj->nij", weight, BASIS, BASIS) + pull
        right = np.einsum("nr,ri->ni", weight * target, BASIS)
        shape = np.linalg.solve(normal, right[..., None])[..., 0]
        curve = _curve(shape)
    return shape


def _curve(shape: Floats) -> Floats:
    """Distance of the ellipses from the rays' centre, in radii of the guess, (N, RAYS)."""
    return np.asarray(np.clip(shape @ BASIS.T, 0.25, 4.0) ** -0.5, dtype=np.float64)


def _centred(shape: Floats) -> Floats:
    """The same ellipses about their own centre, of mean radius 1."""
    out = shape / np.maximum(shape[:, :1], 0.1)
    out[:, 1:3] = 0.0
    return np.asarray(out, dtype=np.float64)


def _moved(guess: Floats, shape: Floats) -> Floats:
    """Circles about the fitted centres; a fit that ran away is held."""
    shift = np.clip(shape[:, 1:3], -0.3, 0.3) * guess[:, 2:]
    radius = guess[:, 2] * np.clip(np.maximum(shape[:, 0], 0.1) ** -0.5, 0.75, 1.3)
    return np.column_stack([guess[:, :2] + shift, radius])


def _outlines(guess: Floats, shape: Floats) -> Floats:
    """Centre, full axes and direction of the fitted polar forms."""
    moved = _moved(guess, shape)
    flat = 2 * np.hypot(shape[:, 3], shape[:, 4]) / np.maximum(shape[:, 0], 0.1)
    flat = np.minimum(flat, (1 - FLATTEST**2) / (1 + FLATTEST**2))
    direction = np.rad2deg(0.5 * np.arctan2(shape[:, 4], shape[:, 3]))
    long_px, short_px = 2 * moved[:, 2] / np.sqrt(1 - flat), 2 * moved[:, 2] / np.sqrt(1 + flat)
    return np.column_stack([moved[:, :2], long_px, short_px, direction])


def _steepest_near(strength: Floats, path: NDArray[np.int64]) -> NDArray[np.int64]:
    """Path moved to the strongest of itself and both neighbours."""
    row = np.arange(len(path))[:, None]
    ray = np.arange(path.shape[1])[None, :]
    near = np.stack([strength[row, ray, path + k] for k in (-1, 0, 1)])
    return np.asarray(path + near.argmax(0) - 1)

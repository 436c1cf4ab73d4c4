"""Full outline of a fruit as an ellipse, from the part of its rim that is seen."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fruitvision.fruit.appearance import Plane

RAYS = 64
# The rim is looked for between these shares of the first guess of the radius.
NEAREST, FARTHEST, STEP = 0.55, 1.45, 0.02
SHARES = np.arange(NEAREST, FARTHEST + STEP / 2, STEP)
# Farthest jump of the rim from one ray to the next, in steps: a slope of 2 * 0.02 radius over
# 1/64 turn. Our choice: follows an ellipse of axis ratio 0.75, not the lobes of a leaf.
LARGEST_JUMP = 2
# A rim point that is off the ellipse by more than this share of the radius is another object's.
# Shrinks from pass to pass. Our choice.
TOLERANCES = (0.20, 0.10, 0.06, 0.05, 0.05)
# Apples are nearly round: pull of the ellipse towards a circle, as a share of all rays. Our choice:
# a full rim outweighs it, a short arc does not.
ROUNDNESS_PULL = 0.10
# Flattest outline allowed, short over long axis. Apples seen from any side are above 0.8.
FLATTEST = 0.72


def fit_outlines(
    lab: Plane, circles: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Ellipses through the convex, unhidden part of each rim.

    Parameters
    ----------
    lab : (H, W, 3) float32
        CIE Lab of the picture.
    circles : (N, 3) float
        First guess: centre x, centre y, radius, px.

    Returns
    -------
    outlines : (N, 5) float
        Centre x, centre y, long axis, short axis (full lengths, px), direction in degrees
        clockwise from +x, -90 to 90.
    rim_seen : (N, RAYS) bool
        Rays whose rim point lies on the ellipse. Rays run clockwise from +x about the centre.
    """
    guess = circles.copy()
    for _ in range(2):
        rim = trace_rims(lab, guess)
        shape, _ = fit_radii(rim)
        guess = _moved(guess, shape)
    rim = trace_rims(lab, guess)
    shape, seen = fit_radii(rim)
    return _ellipses(guess, shape), seen


def trace_rims(lab: Plane, circles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of the strongest closed rim along RAYS rays, as a share of the radius, (N, RAYS)."""
    strength = _edge_strength(lab, circles)
    # A pull to the first guess, wide enough to leave it. Our choice.
    prior = np.exp(-0.5 * ((_middles() - 1.0) / 0.25) ** 2)
    path = _closed_path(strength * prior)
    return _between_steps(strength, path)


def _middles() -> NDArray[np.float64]:
    return (SHARES[1:] + SHARES[:-1]) / 2


def _edge_strength(lab: Plane, circles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Colour change per step along each ray, lightly smoothed, (N, RAYS, steps - 1)."""
    angle = np.arange(RAYS) * 2 * np.pi / RAYS
    reach = circles[:, 2, None, None] * SHARES
    x = (circles[:, 0, None, None] + reach * np.cos(angle)[:, None]).astype(np.float32)
    y = (circles[:, 1, None, None] + reach * np.sin(angle)[:, None]).astype(np.float32)
    flat = (len(circles), RAYS * len(SHARES))
    values = cv2.remap(
        lab,
        x.reshape(flat),
        y.reshape(flat),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(*x.shape, 3)
    values = (values[:, :, :-2] + values[:, :, 1:-1] + values[:, :, 2:]) / 3.0
    change = np.linalg.norm(np.diff(values, axis=2), axis=3)
    # Two samples were lost to smoothing: pad so that index i is the middle of steps i and i + 1.
    change = np.pad(change, ((0, 0), (0, 0), (1, 1)), mode="edge")
    # Saturate: past a plain edge, harder is no better. Our choice: the photo's own upper quartile.
    plain = np.percentile(change, 90, axis=(1, 2), keepdims=True) + 1e-6
    return np.asarray(change / (change + plain), dtype=np.float64)


def _closed_path(gain: NDArray[np.float64]) -> NDArray[np.int64]:
    """Best path around (N, RAYS, S) that moves at most LARGEST_JUMP steps per ray."""
    n, rays, steps = gain.shape
    jumps = range(-LARGEST_JUMP, LARGEST_JUMP + 1)
    total = np.zeros((n, steps))
    back = np.zeros((2 * rays, n, steps), dtype=np.int64)
    columns = np.arange(steps)
    for turn in range(2 * rays):
        # Twice round: the second lap starts where the first one ended, so that the path closes.
        padded = np.pad(total, ((0, 0), (LARGEST_JUMP, LARGEST_JUMP)), constant_values=-1e9)
        options = np.stack(
            [padded[:, LARGEST_JUMP + j : LARGEST_JUMP + j + steps] - 0.02 * j * j for j in jumps]
        )
        choice = options.argmax(0)
        back[turn] = columns + choice - LARGEST_JUMP
        total = options.max(0) + gain[:, turn % rays]
    here = total.argmax(1)
    path = np.zeros((n, 2 * rays), dtype=np.int64)
    for turn in range(2 * rays - 1, -1, -1):
        path[:, turn] = here
        here = back[turn][np.arange(n), here]
    # The middle lap is free of both ends.
    half = rays // 2
    return np.concatenate([path[:, rays : rays + half], path[:, half:rays]], axis=1)


def _between_steps(strength: NDArray[np.float64], path: NDArray[np.int64]) -> NDArray[np.float64]:
    """Path with the peak placed between steps by a parabola."""
    inside = np.clip(path, 1, strength.shape[2] - 2)
    row = np.arange(len(path))[:, None]
    ray = np.arange(path.shape[1])[None, :]
    before, at, after = (strength[row, ray, inside + k] for k in (-1, 0, 1))
    bend = before - 2 * at + after
    shift = np.where(bend < -1e-9, 0.5 * (before - after) / np.where(bend < -1e-9, bend, 1), 0)
    share: NDArray[np.float64] = _middles()[inside] + np.clip(shift, -0.5, 0.5) * STEP
    return share


def fit_radii(
    rim: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Robust ellipse in polar form, r = k0 + k1 cos t + k2 sin t + k3 cos 2t + k4 sin 2t.

    Rim points inside the ellipse belong to a leaf in front: they lose their say. Works on all
    fruit at once.

    Parameters
    ----------
    rim : (N, RAYS) float
        Distance of the rim along each ray, in radii.

    Returns
    -------
    shape : (N, 5) float
        k0 to k4.
    seen : (N, RAYS) bool
        Rays whose rim point is on the ellipse.
    """
    angle = np.arange(RAYS) * 2 * np.pi / RAYS
    basis = np.stack(
        [np.ones(RAYS), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=1
    )
    pull = np.diag([1e-6, 1e-3, 1e-3, ROUNDNESS_PULL, ROUNDNESS_PULL]) * RAYS
    shape = np.zeros((len(rim), 5))
    shape[:, 0] = np.quantile(rim, 0.55, axis=1)
    off = rim - shape @ basis.T
    for tolerance in TOLERANCES:
        weight = 1.0 / (1.0 + (off / tolerance) ** 4)
        normal = np.einsum("nr,ri,rj->nij", weight, basis, basis) + pull
        right = np.einsum("nr,ri->ni", weight * rim, basis)
        shape = np.linalg.solve(normal, right[..., None])[..., 0]
        off = rim - shape @ basis.T
    return shape, np.abs(off) < 1.5 * TOLERANCES[-1]


def _moved(guess: NDArray[np.float64], shape: NDArray[np.float64]) -> NDArray[np.float64]:
    """Circles about the fitted centres; a fit that ran away keeps its first guess."""
    shift = np.clip(shape[:, 1:3], -0.3, 0.3) * guess[:, 2:3]
    radius = guess[:, 2] * np.clip(shape[:, 0], 0.75, 1.3)
    return np.column_stack([guess[:, :2] + shift, radius])


def _ellipses(guess: NDArray[np.float64], shape: NDArray[np.float64]) -> NDArray[np.float64]:
    """Centre, full axes and direction of the fitted polar forms."""
    moved = _moved(guess, shape)
    stretch = np.hypot(shape[:, 3], shape[:, 4]) / shape[:, 0]
    stretch = np.minimum(stretch, (1 - FLATTEST) / (1 + FLATTEST))
    direction = np.rad2deg(0.5 * np.arctan2(shape[:, 4], shape[:, 3]))
    return np.column_stack(
        [
            moved[:, :2],
            2 * moved[:, 2] * (1 + stretch),
            2 * moved[:, 2] * (1 - stretch),
            direction,
        ]
    )

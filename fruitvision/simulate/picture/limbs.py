"""The wood of a tree: trunk, limbs, water shoots, twigs, as paths. Numpy only.

All shapes are our invention, after slender trees on wires.
"""

from __future__ import annotations

import numpy as np

from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.meshes import Ints
from fruitvision.simulate.picture.parts import TreeDials

LIMB_POINTS = 9
TWIG_POINTS = 5


def grow_trunk(dials: TreeDials, rng: np.random.Generator) -> Floats:
    """(14, 3) path of the trunk from just below the ground to the tip of the leader."""
    height = np.linspace(-20.0, dials.height_mm + rng.uniform(-100.0, 60.0), 14)
    wobble = np.cumsum(rng.normal(0.0, 11.0, (14, 2)), axis=0)
    wobble = wobble - np.linspace(0.0, 0.7, 14)[:, None] * wobble[-1]
    return np.column_stack([wobble[:, 0], height, wobble[:, 1]])


def grow_limbs(dials: TreeDials, trunk: Floats, rng: np.random.Generator) -> Floats:
    """(L, Q, 3) limbs, from the lowest to the highest."""
    count = dials.limbs
    share = np.clip((np.arange(count) + rng.uniform(-0.3, 0.3, count)) / (count - 1), 0.0, 1.0)
    height = dials.lowest_limb_mm + (dials.height_mm - 150.0 - dials.lowest_limb_mm) * share
    # Golden angle between one limb and the next, as in most trees.
    azimuth = np.radians(137.5) * np.arange(count) + rng.normal(0.0, 0.35, count)
    reach = (1.0 - (1.0 - dials.taper) * share) * rng.uniform(0.72, 1.12, count)
    half = np.array([dials.width_mm, dials.depth_mm]) / 2.0
    tips = reach[:, None] * np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1) * half
    return _bent(trunk, height, tips, rng)


def _bent(trunk: Floats, height: Floats, tips: Floats, rng: np.random.Generator) -> Floats:
    """Limbs from the trunk at `height` (L,) to `tips` (L, 2) aside of it, risen, bent, crooked."""
    count = len(height)
    reach = np.linalg.norm(tips, axis=1)
    t = np.linspace(0.0, 1.0, LIMB_POINTS)
    rise, droop = rng.normal(0.30, 0.2, count), rng.uniform(0.15, 0.75, count)
    lift = reach[:, None] * (rise[:, None] * t - droop[:, None] * t**2)
    bend = rng.normal(0.0, 0.16, count)[:, None] * t**2
    across = np.stack([-tips[:, 1], tips[:, 0]], axis=1)
    aside = t[None, :, None] * tips[:, None, :] + bend[:, :, None] * across[:, None, :]
    crooked = np.cumsum(rng.normal(0.0, 1.0, (count, LIMB_POINTS, 3)), axis=1)
    crooked = (crooked - crooked[:, :1]) * (0.022 * reach)[:, None, None]
    start_x = np.interp(height, trunk[:, 1], trunk[:, 0])
    start_z = np.interp(height, trunk[:, 1], trunk[:, 2])
    path = np.stack(
        [
            aside[:, :, 0] + start_x[:, None],
            height[:, None] + lift,
            aside[:, :, 1] + start_z[:, None],
        ],
        axis=-1,
    )
    return np.asarray(path + crooked)


def cross_limbs(dials: TreeDials, trunk: Floats, limbs: Floats, rng: np.random.Generator) -> Floats:
    """The same limbs, some of them turned along the row and grown into the neighbour's place."""
    count = min(int(rng.poisson(dials.crossing_limbs)), len(limbs))
    if not count:
        return limbs
    chosen = rng.choice(len(limbs), count, replace=False)
    # Past half way to the next tree.
    along = dials.spacing_mm * rng.uniform(0.55, 0.85, count) * rng.choice((-1.0, 1.0), count)
    tips = np.stack([along, rng.normal(0.0, 0.2, count) * dials.depth_mm], axis=1)
    changed = limbs.copy()
    changed[chosen] = _bent(trunk, limbs[chosen, 0, 1], tips, rng)
    return changed


def grow_shoots(dials: TreeDials, limbs: Floats, rng: np.random.Generator) -> Floats:
    """(S, Q, 3) upright shoots of this summer, without fruit."""
    count = dials.water_shoots
    limb = rng.integers(len(limbs) // 2, len(limbs), count).astype(np.int64)
    start = points_on(limbs, limb, rng.uniform(0.1, 0.7, count))
    t = np.linspace(0.0, 1.0, LIMB_POINTS)[None, :, None]
    length = rng.uniform(250.0, 620.0, (count, 1, 1))
    lean = rng.normal(0.0, 0.16, (count, 1, 3)) + rng.normal(0.0, 0.10, (count, 1, 3)) * t
    return np.asarray(start[:, None] + length * t * (np.array([0.0, 1.0, 0.0]) + lean))


def grow_twigs(limbs: Floats, trunk: Floats, count: int, rng: np.random.Generator) -> Floats:
    """(T, P, 3) leafy twigs on limbs and, one in eight, on the leader."""
    limb = choose_limbs(limbs, count, rng)
    # One twig goes on from the tip of each limb.
    t = np.where(np.arange(count) < len(limbs), 1.0, rng.uniform(0.08, 1.0, count))
    limb[: len(limbs)] = np.arange(len(limbs))[: len(limb)]
    start = points_on(limbs, limb, t)
    along = points_on(limbs, limb, t) - points_on(limbs, limb, t - 0.15)
    along = along / (np.linalg.norm(along, axis=1, keepdims=True) + 1e-9)
    on_leader = (np.arange(count) >= len(limbs)) & (rng.random(count) < 0.125)
    height = rng.uniform(0.27, 1.0, count) * trunk[-1, 1]
    leader = [np.interp(height, trunk[:, 1], trunk[:, axis]) for axis in (0, 2)]
    start[on_leader] = np.column_stack([leader[0], height, leader[1]])[on_leader]
    away = 0.75 * along + rng.normal(0.0, 0.75, (count, 3)) + np.array([0.0, 0.30, 0.0])
    away = away / np.linalg.norm(away, axis=1, keepdims=True)
    length = rng.gamma(3.0, 50.0, count).clip(40.0, 380.0)[:, None, None]
    step = np.linspace(0.0, 1.0, TWIG_POINTS)[None, :, None]
    # Light pulls tips up, weight pulls them down.
    curve = rng.normal(0.0, 0.22, (count, 1, 3)) + np.array([0.0, 0.05, 0.0])
    return np.asarray(start[:, None] + length * (step * away[:, None] + step**2 * curve))


def points_on(paths: Floats, number: Ints, t: Floats) -> Floats:
    """(N, 3) points on the paths (L, Q, 3) of those numbers, at shares `t` of their length."""
    last = paths.shape[1] - 1
    at = np.clip(t, 0.0, 1.0) * last
    low = np.minimum(at.astype(int), last - 1)
    rest = (at - low)[:, None]
    found = paths[number, low] * (1.0 - rest) + paths[number, low + 1] * rest
    return np.asarray(found, dtype=np.float64)


def choose_limbs(limbs: Floats, count: int, rng: np.random.Generator) -> Ints:
    """(count,) numbers of limbs; a limb twice as long is chosen twice as often."""
    reach = np.linalg.norm(limbs[:, -1] - limbs[:, 0], axis=1)
    return rng.choice(len(limbs), count, p=reach / reach.sum()).astype(np.int64)

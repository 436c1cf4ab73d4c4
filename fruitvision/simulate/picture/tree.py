"""One slender tree: trunk, limbs, where its fruit hang and where its leaves grow. Numpy only.

All shapes are our invention, after tall spindle trees about 2.6 m high and 1.1 m wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.camera import Bools, Floats, turns_about
from fruitvision.simulate.picture.meshes import Ints

LIMB_POINTS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeDials:
    """Shape of the trees. Our choice.

    `leaves` : per tree; `cluster_shares` : of clusters of one, two and three fruit after thinning.
    """

    limbs: int = 30
    leaves: int = 2350
    cluster_shares: tuple[float, float, float] = (0.55, 0.32, 0.13)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fruits:
    """Fruit of a tree, in the order of their diameters as given.

    `centres_mm`, `spots_mm` : (N, 3) middle of the fruit and the place on the limb it hangs from;
    `turns` : (N, 3, 3) from fruit axes to world; `diameters_mm`, `heights_mm` : (N,).
    """

    centres_mm: Floats
    spots_mm: Floats
    turns: Floats
    diameters_mm: Floats
    heights_mm: Floats


def joined_fruits(groups: list[Fruits]) -> Fruits:
    """All fruit of the groups, one group after another."""
    groups = groups or [no_fruits()]
    return Fruits(
        centres_mm=np.concatenate([group.centres_mm for group in groups]),
        spots_mm=np.concatenate([group.spots_mm for group in groups]),
        turns=np.concatenate([group.turns for group in groups]),
        diameters_mm=np.concatenate([group.diameters_mm for group in groups]),
        heights_mm=np.concatenate([group.heights_mm for group in groups]),
    )


def no_fruits() -> Fruits:
    """No fruit."""
    return Fruits(
        centres_mm=np.zeros((0, 3)),
        spots_mm=np.zeros((0, 3)),
        turns=np.zeros((0, 3, 3)),
        diameters_mm=np.zeros(0),
        heights_mm=np.zeros(0),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leaves:
    """`bases_mm` : (N, 3); `frames` : (N, 3, 3), columns length, up, side; and so on per leaf."""

    bases_mm: Floats
    frames: Floats
    lengths_mm: Floats
    colours: Floats

    def where(self, keep: Bools) -> Leaves:
        """The leaves for which `keep` is true."""
        return Leaves(
            bases_mm=self.bases_mm[keep],
            frames=self.frames[keep],
            lengths_mm=self.lengths_mm[keep],
            colours=self.colours[keep],
        )

    def middles_mm(self) -> Floats:
        """(N, 3) middles of the leaves."""
        return np.asarray(self.bases_mm + 0.5 * self.lengths_mm[:, None] * self.frames[:, :, 0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tree:
    """`trunk_mm` : (P, 3); `limbs_mm` : (L, Q, 3) paths from the trunk outwards."""

    trunk_mm: Floats
    limbs_mm: Floats
    fruits: Fruits
    leaves: Leaves


def grow_tree(
    dials: TreeDials, diameters_mm: Floats, foot_mm: Floats, rng: np.random.Generator
) -> Tree:
    """A tree that stands at `foot_mm` (3,) and bears fruit of those diameters.

    The same `rng` state and diameters give the same tree from whichever side it is seen.
    """
    trunk = _trunk(rng)
    limbs = _limbs(dials.limbs, trunk, rng)
    fruits = _hang(dials, diameters_mm, limbs, rng)
    leaves = _leaf_out(dials.leaves, limbs, trunk, fruits, rng)
    return Tree(
        trunk_mm=trunk + foot_mm,
        limbs_mm=limbs + foot_mm,
        fruits=Fruits(
            centres_mm=fruits.centres_mm + foot_mm,
            spots_mm=fruits.spots_mm + foot_mm,
            turns=fruits.turns,
            diameters_mm=fruits.diameters_mm,
            heights_mm=fruits.heights_mm,
        ),
        leaves=Leaves(
            bases_mm=leaves.bases_mm + foot_mm,
            frames=leaves.frames,
            lengths_mm=leaves.lengths_mm,
            colours=leaves.colours,
        ),
    )


def _trunk(rng: np.random.Generator) -> Floats:
    height = np.linspace(-20.0, rng.uniform(2450.0, 2600.0), 14)
    wobble = np.cumsum(rng.normal(0.0, 9.0, (14, 2)), axis=0)
    wobble = wobble - np.linspace(0.0, 0.7, 14)[:, None] * wobble[-1]
    return np.column_stack([wobble[:, 0], height, wobble[:, 1]])


def _limbs(count: int, trunk: Floats, rng: np.random.Generator) -> Floats:
    share = (np.arange(count) + rng.uniform(-0.3, 0.3, count)) / (count - 1)
    height = 620.0 + 1780.0 * np.clip(share, 0.0, 1.0)
    # Golden angle between one limb and the next, as in most trees.
    azimuth = np.radians(137.5) * np.arange(count) + rng.normal(0.0, 0.35, count)
    reach = (560.0 - 290.0 * np.clip(share, 0.0, 1.0)) * rng.uniform(0.75, 1.1, count)
    t = np.linspace(0.0, 1.0, LIMB_POINTS)
    rise = rng.normal(0.25, 0.15, count)
    droop = rng.uniform(0.25, 0.75, count)
    lift = reach[:, None] * (rise[:, None] * t - droop[:, None] * t**2)
    bend = rng.normal(0.0, 0.12, count)[:, None] * reach[:, None] * t**2
    out = reach[:, None] * t
    x = out * np.cos(azimuth)[:, None] - bend * np.sin(azimuth)[:, None]
    z = out * np.sin(azimuth)[:, None] + bend * np.cos(azimuth)[:, None]
    start_x = np.interp(height, trunk[:, 1], trunk[:, 0])
    start_z = np.interp(height, trunk[:, 1], trunk[:, 2])
    return np.stack([x + start_x[:, None], height[:, None] + lift, z + start_z[:, None]], axis=-1)


def _points_on(limbs: Floats, limb: Ints, t: Floats) -> Floats:
    at = np.clip(t, 0.0, 1.0) * (LIMB_POINTS - 1)
    low = np.minimum(at.astype(int), LIMB_POINTS - 2)
    rest = (at - low)[:, None]
    found = limbs[limb, low] * (1.0 - rest) + limbs[limb, low + 1] * rest
    return np.asarray(found, dtype=np.float64)


def _choose_limbs(limbs: Floats, count: int, rng: np.random.Generator) -> Ints:
    reach = np.linalg.norm(limbs[:, -1] - limbs[:, 0], axis=1)
    return rng.choice(len(limbs), count, p=reach / reach.sum()).astype(np.int64)


def _hang(
    dials: TreeDials, diameters_mm: Floats, limbs: Floats, rng: np.random.Generator
) -> Fruits:
    """Clusters under limbs; a place that would push fruit into each other is drawn again."""
    count = len(diameters_mm)
    heights = diameters_mm * np.clip(rng.normal(0.895, 0.018, count), 0.86, 0.93)
    centres, spots = np.zeros((count, 3)), np.zeros((count, 3))
    placed = 0
    while placed < count:
        size = min(1 + int(rng.choice(3, p=dials.cluster_shares)), count - placed)
        here = slice(placed, placed + size)
        for _ in range(300):
            spot = _points_on(limbs, _choose_limbs(limbs, 1, rng), rng.uniform(0.35, 1.0, 1))[0]
            centres[here] = spot + _cluster_offsets(diameters_mm[here], heights[here], rng)
            spots[here] = spot
            if _free(centres, diameters_mm, placed, size):
                break
        placed += size
    tilt = np.clip(np.abs(rng.normal(0.0, np.radians(13.0), count)), 0.0, np.radians(35.0))
    axis = rng.normal(size=(count, 3)) * (1.0, 0.0, 1.0)
    spin = turns_about(np.tile([0.0, 1.0, 0.0], (count, 1)), rng.uniform(0.0, 6.28, count))
    return Fruits(
        centres_mm=centres,
        spots_mm=spots,
        turns=turns_about(axis, tilt) @ spin,
        diameters_mm=diameters_mm,
        heights_mm=heights,
    )


def _cluster_offsets(diameters: Floats, heights: Floats, rng: np.random.Generator) -> Floats:
    size = len(diameters)
    angle = rng.uniform(0.0, 6.28) + 2.0 * np.pi * np.arange(size) / size
    # Radius at which equal fruit of a ring just touch: r, and 2 r / sqrt(3).
    spread = {1: 0.12, 2: 0.52, 3: 0.60}[size] * diameters.max()
    drop = heights / 2.0 + rng.uniform(4.0, 26.0, size)
    return np.column_stack([spread * np.cos(angle), -drop, spread * np.sin(angle)])


def _free(centres: Floats, diameters: Floats, placed: int, size: int) -> bool:
    new = centres[placed : placed + size]
    if (np.hypot(new[:, 0], new[:, 2]) < diameters[placed : placed + size] / 2.0 + 15.0).any():
        return False
    if (new[:, 1] < 350.0).any():
        return False
    gaps = np.linalg.norm(centres[:placed, None] - new[None], axis=2)
    touch = (diameters[:placed, None] + diameters[None, placed : placed + size]) / 2.0
    return bool((gaps >= touch).all())


def _leaf_out(
    count: int, limbs: Floats, trunk: Floats, fruits: Fruits, rng: np.random.Generator
) -> Leaves:
    """Leaves along limbs, along the leader, and in rosettes where fruit hang."""
    on_limbs, on_leader = int(count * 0.74), int(count * 0.10)
    t = rng.uniform(0.12, 1.03, on_limbs)
    along = _points_on(limbs, _choose_limbs(limbs, on_limbs, rng), t)
    height = rng.uniform(700.0, trunk[-1, 1] + 60.0, on_leader)
    leader = np.column_stack(
        [
            np.interp(height, trunk[:, 1], trunk[:, 0]),
            height,
            np.interp(height, trunk[:, 1], trunk[:, 2]),
        ]
    )
    bases = np.concatenate([along, leader])
    bases = bases + rng.normal(0.0, (42.0, 46.0, 42.0), bases.shape)
    if len(fruits.spots_mm):
        spots = fruits.spots_mm[rng.integers(0, len(fruits.spots_mm), count - len(bases))]
        bases = np.concatenate([bases, spots + rng.normal(0.0, 18.0, spots.shape)])
    leaves = _turn_leaves(bases, trunk, rng)
    return leaves.where(_outside_fruit(leaves.middles_mm(), fruits))


def _turn_leaves(bases: Floats, trunk: Floats, rng: np.random.Generator) -> Leaves:
    count = len(bases)
    middle = np.column_stack(
        [np.interp(bases[:, 1], trunk[:, 1], trunk[:, axis]) for axis in (0, 2)]
    )
    outward = np.zeros((count, 3))
    outward[:, [0, 2]] = bases[:, [0, 2]] - middle
    outward = outward / (np.linalg.norm(outward, axis=1, keepdims=True) + 1.0)
    length = 0.8 * outward + rng.normal(0.0, 0.55, (count, 3)) - np.array([0.0, 0.35, 0.0])
    length = length / np.linalg.norm(length, axis=1, keepdims=True)
    up = np.array([0.0, 0.75, 0.0]) + 0.35 * outward + rng.normal(0.0, 0.42, (count, 3))
    side = np.cross(length, up)
    side = side / np.linalg.norm(side, axis=1, keepdims=True)
    frames = np.stack([length, np.cross(side, length), side], axis=-1)
    # Linear reflectance: dark old leaves to yellowish young ones.
    young = np.clip(rng.beta(1.6, 4.0, count) + rng.normal(0.0, 0.04, count), 0.0, 1.0)[:, None]
    colours = (1.0 - young) * (0.045, 0.098, 0.022) + young * (0.175, 0.24, 0.055)
    return Leaves(
        bases_mm=bases,
        frames=frames,
        lengths_mm=rng.uniform(50.0, 95.0, count),
        colours=colours * rng.uniform(0.75, 1.25, (count, 1)),
    )


def _outside_fruit(middles: Floats, fruits: Fruits) -> Bools:
    if not len(fruits.centres_mm):
        return np.ones(len(middles), dtype=np.bool_)
    gaps = np.linalg.norm(middles[:, None] - fruits.centres_mm[None], axis=2)
    outside: Bools = (gaps > fruits.diameters_mm[None] / 2.0).all(axis=1)
    return outside

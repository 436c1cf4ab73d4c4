"""Where fruit hang: clusters under limbs, pressed together but not into each other. Numpy only."""

from __future__ import annotations

import numpy as np

from fruitvision.simulate.picture.camera import Floats, turns_about
from fruitvision.simulate.picture.limbs import choose_limbs, points_on
from fruitvision.simulate.picture.meshes import Ints
from fruitvision.simulate.picture.parts import LARGEST_CLUSTER, Fruits, TreeDials

# Spots that are tried for a cluster. Our choice: more changes little.
TRIES = 12
LOWEST_FRUIT_MM = 350.0
# Rounds in which fruit push each other apart, and the first of them in which limbs push as well.
# Our choice: 80 fruit take about 30.
SETTLING_STEPS, WOOD_STEPS = 200, 3
# Longest stalk with the spur it stands on, mm. Our choice.
LONGEST_STALK_MM = 60.0


def fruit_heights(diameters_mm: Floats, rng: np.random.Generator) -> Floats:
    """(N,) heights: fruitlets are about as high as wide, mature fruit are flatter.

    From memory: an apple grows in height first and in width later. Never higher than wide, so
    that the diameter stays the long axis of the outline.
    """
    ratio = 0.99 - 0.0016 * (diameters_mm - 20.0)
    ratio = ratio + rng.normal(0.0, 0.018, len(diameters_mm))
    return np.asarray(diameters_mm * np.clip(ratio, 0.82, 0.99))


def hang_fruit(
    dials: TreeDials, diameters_mm: Floats, limbs: Floats, trunk: Floats, rng: np.random.Generator
) -> Fruits:
    """Fruit of those diameters on a tree, in clusters in the order given."""
    shape_rng, cluster_rng, spot_rng, tilt_rng = rng.spawn(4)
    count = len(diameters_mm)
    heights = fruit_heights(diameters_mm, shape_rng)
    sizes = _cluster_sizes(dials, count, cluster_rng)
    cluster = np.repeat(np.arange(len(sizes)), sizes)
    offsets = _cluster_offsets(dials, diameters_mm, heights, sizes, cluster_rng)
    spots = _choose_spots(limbs, diameters_mm, offsets, sizes, spot_rng)[cluster]
    centres = _settle(dials, spots + offsets, diameters_mm, limbs, trunk)
    spots = _nearest_spots(centres, heights, spots, limbs)
    return Fruits(
        centres_mm=centres,
        spots_mm=spots,
        turns=_hanging_turns(dials, centres, spots, tilt_rng),
        diameters_mm=diameters_mm,
        heights_mm=heights,
    )


def _cluster_sizes(dials: TreeDials, count: int, rng: np.random.Generator) -> Ints:
    shares = dials.cluster_shares
    sizes = 1 + rng.choice(len(shares), count, p=shares)
    ends = np.minimum(np.cumsum(sizes), count)
    sizes = np.diff(ends, prepend=0)
    return np.asarray(sizes[sizes > 0], dtype=np.int64)


def _cluster_offsets(
    dials: TreeDials, diameters: Floats, heights: Floats, sizes: Ints, rng: np.random.Generator
) -> Floats:
    """(N, 3) from the spot of a cluster to its fruit, which touch each other."""
    clusters, most = len(sizes), LARGEST_CLUSTER
    filled = np.arange(most)[None] < sizes[:, None]
    wide, high = np.zeros((clusters, most)), np.zeros((clusters, most))
    wide[filled], high[filled] = diameters, heights
    turn = rng.uniform(0.0, 6.28, (clusters, 1)) + 2.0 * np.pi * np.arange(most) / sizes[:, None]
    turn = turn + rng.normal(0.0, 0.25, turn.shape)
    # A ring that is too narrow; the fruit then push each other apart until they just touch.
    spread = wide * np.where(sizes[:, None] > 1, 0.40, 0.10)
    stalk = dials.stalk_mm * rng.uniform(0.35, 1.35, (clusters, most))
    drop = high / 2.0 + stalk
    places = np.stack([spread * np.cos(turn), -drop, spread * np.sin(turn)], axis=-1)
    touch = (wide[:, :, None] + wide[:, None, :]) / 2.0 - dials.press_mm
    pairs = filled[:, :, None] & filled[:, None, :] & ~np.eye(most, dtype=bool)
    for _ in range(16):
        away = places[:, :, None] - places[:, None, :]
        gap = np.sqrt((away**2).sum(axis=-1)) + 1e-9
        push = np.where(pairs, np.clip(touch - gap, 0.0, None), 0.0) / gap
        places = places + 0.4 * (push[..., None] * away).sum(axis=2)
    return np.asarray(places[filled])


def _choose_spots(
    limbs: Floats, diameters: Floats, offsets: Floats, sizes: Ints, rng: np.random.Generator
) -> Floats:
    """(C, 3) spot of each cluster, the first of some tries that is free of other fruit."""
    tries = len(sizes) * TRIES
    spots = points_on(limbs, choose_limbs(limbs, tries, rng), rng.uniform(0.22, 1.0, tries))
    spots = spots.reshape(len(sizes), TRIES, 3)
    spots[..., 1] = np.maximum(spots[..., 1], LOWEST_FRUIT_MM + 100.0)
    chosen, placed = np.zeros((len(sizes), 3)), np.zeros_like(offsets)
    start = 0
    for cluster, size in enumerate(sizes.tolist()):
        here = slice(start, start + size)
        asked = spots[cluster][:, None] + offsets[here][None]
        (x, y, z), (u, v, w) = asked.transpose(2, 0, 1)[..., None], placed[:start].T
        touch = (diameters[here][:, None] + diameters[None, :start]) / 2.0
        room = (x - u) ** 2 + (y - v) ** 2 + (z - w) ** 2 - touch**2
        best = int(np.argmax(np.minimum(room.min(axis=(1, 2), initial=1.0), 0.0)))
        chosen[cluster], placed[here] = spots[cluster, best], asked[best]
        start += size
    return chosen


def _settle(
    dials: TreeDials, centres: Floats, diameters: Floats, limbs: Floats, trunk: Floats
) -> Floats:
    """The fruit pushed out of each other, of the trunk and of limbs, until nothing overlaps."""
    wood = _wood_points(limbs)
    settled = False
    for step in range(SETTLING_STEPS):
        # Fruit move far at first; before they are called settled, strangers may have met.
        if step % 12 in ((0, 4, 8) if step < 24 else (0,)) or settled:
            first, second = _neighbours(centres, diameters)
        away = centres[first] - centres[second]
        gap = np.sqrt((away**2).sum(axis=1)) + 1e-9
        over = np.clip((diameters[first] + diameters[second]) / 2.0 - dials.press_mm - gap, 0, None)
        moves = _off_trunk(centres, diameters, trunk, dials.trunk_mm)
        worst = max(float(over.max(initial=0.0)), float(np.abs(moves).max(initial=0.0)))
        if settled and worst < 0.3:
            break
        settled = worst < 0.3 and step > WOOD_STEPS
        push = (0.42 * over / gap)[:, None] * away
        if step > 30:
            # Fruit that are wedged in slip past each other, the higher one upwards.
            push[:, 1] += 0.3 * over * np.where((away[:, 1] > 0.0), 1.0, -1.0)
        for axis in range(3):
            moves[:, axis] += np.bincount(first, push[:, axis], len(centres))
        if step < WOOD_STEPS:
            moves += _off_wood(centres, diameters, wood)
        centres = centres + moves
        centres[:, 1] = np.maximum(centres[:, 1], LOWEST_FRUIT_MM)
    return centres


def _neighbours(centres: Floats, diameters: Floats) -> tuple[Ints, Ints]:
    """Both orders of all pairs of fruit that are nearer than 50 mm to each other."""
    x, y, z = centres.T
    square = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2 + (z[:, None] - z) ** 2
    near = square < ((diameters[:, None] + diameters) / 2.0 + 50.0) ** 2
    np.fill_diagonal(near, False)
    first, second = np.nonzero(near)
    return first, second


def _wood_points(limbs: Floats) -> Floats:
    t = np.linspace(0.0, 1.0, 2 * limbs.shape[1])
    number = np.repeat(np.arange(len(limbs)), len(t))
    return points_on(limbs, number, np.tile(t, len(limbs)))


def _off_wood(centres: Floats, diameters: Floats, wood: Floats) -> Floats:
    """Fruit may press against a limb but not sit on it like a bead."""
    away = centres - wood[_nearest(centres, wood)]
    gap = np.sqrt((away**2).sum(axis=1)) + 1e-9
    over = np.clip(diameters / 2.0 + 7.0 - gap, 0.0, 12.0)
    return np.asarray((over / gap)[:, None] * away)


def _nearest(points: Floats, others: Floats) -> Ints:
    (x, y, z), (u, v, w) = points.T, others.T
    square = (x[:, None] - u) ** 2 + (y[:, None] - v) ** 2 + (z[:, None] - w) ** 2
    return np.asarray(np.argmin(square, axis=1), dtype=np.int64)


def _off_trunk(centres: Floats, diameters: Floats, trunk: Floats, trunk_mm: float) -> Floats:
    middle = np.stack(
        [np.interp(centres[:, 1], trunk[:, 1], trunk[:, axis]) for axis in (0, 2)], axis=1
    )
    aside = centres[:, [0, 2]] - middle
    gap = np.linalg.norm(aside, axis=1) + 1e-9
    over = np.clip(diameters / 2.0 + trunk_mm / 2.0 + 2.0 - gap, 0.0, None)
    moves = np.zeros_like(centres)
    moves[:, [0, 2]] = (over / gap)[:, None] * aside
    return moves


def _nearest_spots(centres: Floats, heights: Floats, spots: Floats, limbs: Floats) -> Floats:
    """A fruit that was pushed away hangs from the wood next to it."""
    if not len(centres):
        return spots
    far = np.linalg.norm(spots - centres, axis=1) > heights / 2.0 + LONGEST_STALK_MM
    if not far.any():
        return spots
    wood = _wood_points(limbs)
    top = centres[far] + np.stack([0.0 * heights[far], heights[far] / 2.0, 0.0 * heights[far]], 1)
    changed = spots.copy()
    changed[far] = wood[_nearest(top, wood)]
    return changed


def _hanging_turns(
    dials: TreeDials, centres: Floats, spots: Floats, rng: np.random.Generator
) -> Floats:
    """(N, 3, 3): the stem end points up and towards the spot, more or less."""
    count = len(centres)
    pull = spots - centres
    pull = pull / (np.linalg.norm(pull, axis=1, keepdims=True) + 1e-9)
    up = np.array([0.0, 0.9, 0.0]) + 0.6 * pull
    up = up + rng.normal(0.0, np.tan(np.radians(dials.tilt_deg)), (count, 3)) * (1.0, 0.0, 1.0)
    up = up / np.linalg.norm(up, axis=1, keepdims=True)
    # The turn about the level axis that takes y to `up`.
    axis = np.stack([up[:, 2] + 1e-12, np.zeros(count), -up[:, 0]], axis=1)
    tilt = np.minimum(np.arccos(np.clip(up[:, 1], -1.0, 1.0)), np.radians(60.0))
    spin = turns_about(np.tile([0.0, 1.0, 0.0], (count, 1)), rng.uniform(0.0, 6.28, count))
    return np.asarray(turns_about(axis, tilt) @ spin)

"""What stands behind the last row that is drawn tree by tree. Numpy only.

All shapes and colours are our choice, by eye against photos of orchards.
"""

from __future__ import annotations

import numpy as np

from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.meshes import Ints, Mesh, copies, grid_faces

BACKDROPS = ("hedge", "rows", "sky")
DISTANCE_MM = 24000.0
# Leaves of the crowns, sprays that they stand in, and parts of a crown that bulge.
LEAVES, SPRAYS, LOBES = 40000, 5000, 9
# A leaf of length 1 as a folded oval of four triangles: foot, sides, tip; y is up.
OVAL = np.array(
    [
        [0.0, 0.0, 0.0],
        [0.3, 0.07, 0.31],
        [0.72, 0.05, 0.27],
        [1.0, -0.05, 0.0],
        [0.72, 0.05, -0.27],
        [0.3, 0.07, -0.31],
    ]
)
OVAL_FACES: Ints = np.array([[0, 1, 5], [1, 2, 5], [2, 4, 5], [2, 3, 4]])
# The land behind, and woods where it ends.
FIELD_MM, WOODS_MM = 26000.0, 130000.0


def backdrop(kind: str, rng: np.random.Generator) -> list[Mesh]:
    """A hedge of trees, more rows of the orchard, or open land; woods far behind."""
    crown_rng, land_rng = rng.spawn(2)
    land = [_field(), _woods(land_rng)]
    if kind == "hedge":
        crowns = _crowns(crown_rng, 26, (1500.0, 2900.0), (2200.0, 4600.0), DISTANCE_MM)
    elif kind == "rows":
        crowns = _crowns(crown_rng, 44, (500.0, 800.0), (1500.0, 1700.0), DISTANCE_MM - 5000.0)
    else:
        crowns = []
    return land + crowns


def _crowns(
    rng: np.random.Generator,
    trees: int,
    radius_mm: tuple[float, float],
    middle_mm: tuple[float, float],
    distance_mm: float,
) -> list[Mesh]:
    """Crowns of bulging lobes: a dark inside, and sprays of leaves all over it."""
    x = np.linspace(-17000.0, 17000.0, trees) + rng.normal(0.0, 300.0, trees)
    z = -distance_mm + rng.normal(0.0, 500.0, trees)
    radius = rng.uniform(*radius_mm, (trees, 1, 1)) * np.array([1.0, 1.15, 0.9])
    middles = np.stack([x, rng.uniform(*middle_mm, trees), z], axis=1)
    lobes = middles[:, None] + radius * rng.normal(0.0, 0.45, (trees, LOBES, 3))
    # One more lobe below the crown: shrubs and lower branches, down to the ground.
    lobes[:, 0, 1] = 0.45 * radius[:, 0, 1]
    sizes = radius * rng.uniform(0.32, 0.68, (trees, LOBES, 1))
    tone = rng.uniform(0.75, 1.3, (trees, 1, 1)) * np.array([0.21, 0.265, 0.13])
    tone = tone * rng.uniform(0.85, 1.15, (trees, LOBES, 1))
    flat = lobes.reshape(-1, 3), sizes.reshape(-1, 3), tone.reshape(-1, 3)
    return [_insides(*flat, rng), _leaves(*flat, rng)]


def _insides(middles: Floats, sizes: Floats, tones: Floats, rng: np.random.Generator) -> Mesh:
    """Lumpy balls that let no sky through; leaves lie over them."""
    polar, around = np.meshgrid(
        np.linspace(0.02, np.pi - 0.02, 10),
        np.linspace(0.0, 6.28, 16, endpoint=False),
        indexing="ij",
    )
    unit = np.stack(
        [np.sin(polar) * np.cos(around), np.cos(polar), np.sin(polar) * np.sin(around)], axis=-1
    ).reshape(-1, 3)
    lumps = rng.uniform(0.5, 0.86, (len(middles), len(unit), 1))
    points = middles[:, None] + sizes[:, None] * unit * lumps
    points[..., 1] = np.maximum(points[..., 1], -20.0)
    return Mesh(
        material="ground",
        points_mm=points.reshape(-1, 3),
        faces=copies(grid_faces(10, 16, closed=True)[:, [0, 2, 1]], len(unit), len(middles)),
        colours=np.repeat(tones, len(unit), axis=0) * rng.uniform(0.3, 0.8, (lumps.size, 1)),
    )


def _leaves(middles: Floats, sizes: Floats, tones: Floats, rng: np.random.Generator) -> Mesh:
    """Leaves in sprays all over the lobes, where they show from the camera's side."""
    low, high = (middles - sizes).min(axis=0), (middles + sizes).max(axis=0)
    sprays = rng.uniform(low[:2], high[:2], (SPRAYS, 2))
    spray = rng.integers(0, SPRAYS, 2 * LEAVES)
    aside = rng.normal(0.0, 130.0, (2 * LEAVES, 2)) * rng.choice((1.0, 2.2), (2 * LEAVES, 1))
    at = sprays[spray] + aside
    lobe, front = _front(middles, sizes, at)
    shown = np.flatnonzero(np.isfinite(front) & (at[:, 1] > 0.0))[:LEAVES]
    lobe, spray = lobe[shown], spray[shown]
    feet = np.column_stack([at[shown], front[shown] - rng.gamma(1.5, 120.0, len(shown))])
    outward = (feet - middles[lobe]) / sizes[lobe]
    outward = outward / (np.linalg.norm(outward, axis=1, keepdims=True) + 1e-9)
    shade = rng.uniform(0.75, 1.25, len(shown)) * rng.uniform(0.8, 1.2, SPRAYS)[spray]
    # Outlines of crowns are loose.
    feet = feet + rng.normal(0.0, 60.0, feet.shape) * (1.0, 1.0, 0.0)
    feet[:, 1] = np.abs(feet[:, 1])
    lengths = rng.uniform(100.0, 180.0, len(shown))
    return ovals(feet, lengths, (outward, tones[lobe] * shade[:, None]), rng)


def _front(middles: Floats, sizes: Floats, at: Floats) -> tuple[Ints, Floats]:
    """(N,) lobe that is foremost at (N, 2) places, and its z there; -inf where there is none."""
    order = np.argsort(at[:, 0], kind="stable")
    x, y = at[order].T
    found, front = np.zeros(len(at), dtype=np.int64), np.full(len(at), -np.inf)
    starts = np.searchsorted(x, middles[:, 0] - sizes[:, 0])
    ends = np.searchsorted(x, middles[:, 0] + sizes[:, 0])
    for number, (middle, size) in enumerate(zip(middles, sizes, strict=True)):
        near = slice(starts[number], ends[number])
        across, up = (x[near] - middle[0]) / size[0], (y[near] - middle[1]) / size[1]
        bulge = 1.0 - across * across - up * up
        z = np.where(bulge > 0.0, middle[2] + size[2] * np.sqrt(np.abs(bulge)), -np.inf)
        ahead = z > front[near]
        front[near][ahead] = z[ahead]
        found[near][ahead] = number
    back = np.argsort(order, kind="stable")
    return found[back], front[back]


def ovals(
    feet_mm: Floats, lengths_mm: Floats, looks: tuple[Floats, Floats], rng: np.random.Generator
) -> Mesh:
    """Leaves as folded ovals from (N, 3) feet.

    `looks` : (N, 3) directions that they lean to, more or less, and (N, 3) colours.
    """
    outward, colours = looks
    along = outward + rng.normal(0.0, 0.8, feet_mm.shape) - np.array([0.0, 0.4, 0.0])
    up = 0.7 * outward + np.array([0.0, 0.7, 0.0]) + rng.normal(0.0, 0.6, feet_mm.shape)
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    side = np.cross(along, up)
    side = side / np.linalg.norm(side, axis=1, keepdims=True)
    frames = np.stack([along, np.cross(side, along), side], axis=-1) * lengths_mm[:, None, None]
    points = np.matmul(OVAL, frames.transpose(0, 2, 1)) + feet_mm[:, None, :]
    return Mesh(
        material="leaf",
        points_mm=points.reshape(-1, 3),
        faces=copies(OVAL_FACES, len(OVAL), len(feet_mm)),
        colours=np.repeat(colours, len(OVAL), axis=0),
    )


def _field() -> Mesh:
    """Land from where the drawn ground ends to the horizon."""
    near, far = -FIELD_MM, -1.2 * WOODS_MM
    points = [
        [-40000.0, -15.0, near],
        [40000.0, -15.0, near],
        [3e5, -15.0, far],
        [-3e5, -15.0, far],
    ]
    return Mesh(
        material="ground",
        points_mm=np.array(points),
        faces=np.array([[0, 1, 2], [0, 2, 3]]),
        colours=np.tile([0.20, 0.24, 0.10], (4, 1)),
    )


def _woods(rng: np.random.Generator) -> Mesh:
    """The edge of a wood on the horizon, pale with haze."""
    count = 500
    x = np.linspace(-1.2e5, 1.2e5, count)
    slow = np.sin(x / 15000.0 + rng.uniform(0.0, 6.28)) + np.sin(
        x / 6000.0 + rng.uniform(0.0, 6.28)
    )
    top = 5500.0 + 1200.0 * slow + rng.normal(0.0, 350.0, count)
    z = np.full(count, -WOODS_MM)
    points = np.stack(
        [np.stack([x, np.full(count, -20.0), z], axis=1), np.stack([x, top, z], axis=1)]
    )
    tone = rng.uniform(0.85, 1.15, (1, count, 1)) * np.array([0.22, 0.27, 0.22])
    return Mesh(
        material="ground",
        points_mm=points.reshape(-1, 3),
        faces=grid_faces(2, count)[:, [0, 2, 1]],
        colours=np.repeat(tone, 2, axis=0).reshape(-1, 3),
    )

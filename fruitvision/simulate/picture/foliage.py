"""Leaves: shapes, where they grow, what colour they are, and their triangles. Numpy only."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from fruitvision.simulate.picture.camera import Bools, Floats, turns_about
from fruitvision.simulate.picture.limbs import points_on
from fruitvision.simulate.picture.meshes import Ints, Mesh, copies, grid_faces
from fruitvision.simulate.picture.parts import Fruits, Leaves, TreeDials

# Shapes of whole leaves, and after them as many of eaten ones. Our choice.
WHOLE, EATEN = 10, 4
# Rows of vertices along a leaf and columns across it, by detail. The coarse one is an oval of six
# corners, folded along the midrib.
ALONG = (
    np.array([0.0, 0.24, 0.74, 1.0]),
    np.array([0.0, 0.2, 0.5, 0.84, 1.0]),
    np.array([0.0, 0.08, 0.2, 0.34, 0.48, 0.62, 0.75, 0.87, 0.95, 1.0]),
)
ACROSS = (
    np.array([-1.0, 0.0, 1.0]),
    np.array([-1.0, 0.0, 1.0]),
    np.array([-1.0, -0.55, -0.1, 0.1, 0.55, 1.0]),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeafShape:
    """A leaf of length 1 along x, upper side towards y.

    `points`, `normals` : (V, 3); `faces` : (F, 3); `pale` : (V,) 1 on the midrib; `rim` : (V,) 1
    at the edge; `bulge` : (V,) about -1 to 1 between the side veins.
    """

    points: Floats
    normals: Floats
    faces: Ints
    pale: Floats
    rim: Floats
    bulge: Floats


@cache
def leaf_shape(kind: int, detail: int) -> LeafShape:
    """One of the `WHOLE + EATEN` shapes; `detail` 0 is far, 1 nearer, 2 in view and near."""
    rng = np.random.default_rng([31, kind])
    along, columns = ALONG[detail], ACROSS[detail]
    width, fold, wave = rng.uniform(0.25, 0.37), rng.uniform(0.0, 0.85), rng.uniform(0.01, 0.09)
    bow, twist, turns = rng.uniform(-0.05, 0.65), rng.normal(0.0, 0.38), rng.uniform(1.2, 2.6)
    phases = rng.uniform(0.0, 6.28, 3)
    # A root of a sine is blunt like an ellipse, a sine pointed.
    blunt = rng.uniform(0.48, 0.75)
    half = width * np.sin(np.pi * np.clip(along, 0.012, 0.988) ** 0.85) ** blunt
    side, t = np.meshgrid(columns, along)
    across = side * half[:, None]
    if kind >= WHOLE:
        across = _bitten(side, t, across, rng)
    rim_wave = wave * np.abs(side) ** 2 * np.sin(6.28 * turns * t + phases[0] + 2.0 * side)
    veins = np.sin(6.28 * 4.0 * (t - 0.35 * np.abs(side)) + phases[1]) * (np.abs(side) > 0.05)
    height = fold * np.abs(across) - bow * t**2 + rim_wave + 0.008 * veins
    lean = twist * (t - 0.3)
    points = np.stack(
        [t, height * np.cos(lean) - across * np.sin(lean), across * np.cos(lean)], axis=-1
    )
    vertices, faces = _outline(len(along), len(columns)) if detail == 0 else _all(side.shape)
    return LeafShape(
        points=points.reshape(-1, 3)[vertices],
        normals=_grid_normals(points)[vertices],
        faces=faces,
        pale=np.ravel((np.abs(side) < 0.2) * (0.95 - 0.5 * t))[vertices] * (detail > 1),
        rim=np.ravel((np.abs(side) > 0.9) | (t > 0.96)).astype(float)[vertices],
        bulge=veins.ravel()[vertices] * (detail > 1),
    )


def _all(shape: tuple[int, ...]) -> tuple[Ints, Ints]:
    return np.arange(shape[0] * shape[1]), grid_faces(shape[0], shape[1])


def _outline(rows: int, columns: int) -> tuple[Ints, Ints]:
    """Vertices and faces of a leaf grid of three columns whose foot and tip are one point each."""
    grid = np.arange(rows * columns)
    middle = columns // 2
    merged = grid.copy()
    merged[:columns], merged[-columns:] = middle, grid[-columns + middle]
    faces = merged[grid_faces(rows, columns)]
    whole = (faces != np.roll(faces, 1, axis=1)).all(axis=1)
    vertices, numbers = np.unique(faces[whole], return_inverse=True)
    return vertices, numbers.reshape(-1, 3).astype(np.int64)


def _bitten(side: Floats, t: Floats, across: Floats, rng: np.random.Generator) -> Floats:
    """Bites into one edge, or the whole tip gone."""
    edge, at, deep = rng.choice((-1.0, 1.0)), rng.uniform(0.25, 0.9), rng.uniform(0.45, 0.95)
    bite = deep * np.exp(-(((t - at) / 0.13) ** 2)) * (np.sign(side) == edge)
    return np.asarray(across * (1.0 - bite))


def _grid_normals(points: Floats) -> Floats:
    along, across = np.gradient(points, axis=0), np.gradient(points, axis=1)
    normals = np.cross(across, along).reshape(-1, 3)
    return np.asarray(normals / (np.linalg.norm(normals, axis=1, keepdims=True) + 1e-12))


def leaf_out(
    dials: TreeDials, twigs: Floats, trunk: Floats, fruits: Fruits, rng: np.random.Generator
) -> Leaves:
    """Leaves around twigs and shoots, and in rosettes where fruit hang; none inside of fruit."""
    place_rng, turn_rng, look_rng, gap_rng = rng.spawn(4)
    # Those that gaps and fruit will take are drawn as well.
    asked = int(dials.leaves * 1.12 / (1.0 - dials.gaps)) + 60
    bases, away = _places(twigs, fruits, asked, place_rng)
    keep = np.flatnonzero(_outside_gaps(bases, dials.gaps, gap_rng))
    leaves = _turned(dials, bases, away, trunk, turn_rng, look_rng).where(keep)
    outside = np.flatnonzero(outside_fruit(leaves, fruits))
    # Which of the rest are too many must not depend on where they grow.
    few = np.sort(place_rng.permutation(len(outside))[: dials.leaves])
    return leaves.where(outside[few])


def _places(
    twigs: Floats, fruits: Fruits, count: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """(N, 3) feet of leaves, and the direction from the wood to each."""
    reach = np.linalg.norm(twigs[:, -1] - twigs[:, 0], axis=1)
    in_rosettes = int(0.16 * count) if len(fruits.spots_mm) else 0
    number = rng.choice(len(twigs), count - in_rosettes, p=reach / reach.sum()).astype(np.int64)
    # More towards the tip, where this summer's leaves are.
    t = 1.0 - 0.95 * rng.random(len(number)) ** 1.3
    along = twigs[number, -1] - twigs[number, 0]
    away = rng.normal(0.0, 1.0, (len(number), 3)) + 0.7 * along / (
        np.linalg.norm(along, axis=1, keepdims=True) + 1e-9
    )
    bases = points_on(twigs, number, t)
    if in_rosettes:
        spot = rng.integers(0, len(fruits.spots_mm), in_rosettes)
        bases = np.concatenate([bases, fruits.spots_mm[spot]])
        away = np.concatenate([away, rng.normal((0.0, 0.25, 0.0), 1.0, (in_rosettes, 3))])
    away = away / np.linalg.norm(away, axis=1, keepdims=True)
    # A stalk of 10 to 30 mm between wood and blade.
    return bases + away * rng.uniform(10.0, 30.0, (len(bases), 1)), away


def _outside_gaps(points: Floats, share: float, rng: np.random.Generator) -> Bools:
    """Where slow waves through the crown are above their `share` quantile."""
    waves = rng.normal(0.0, 1.0, (6, 3)) / 170.0
    field = np.sin(points @ waves.T + rng.uniform(0.0, 6.28, 6)).sum(axis=1)
    if share <= 0.0 or not len(field):
        return np.ones(len(field), dtype=np.bool_)
    return np.asarray(field > np.quantile(field, share))


def _turned(
    dials: TreeDials,
    bases: Floats,
    away: Floats,
    trunk: Floats,
    turn_rng: np.random.Generator,
    look_rng: np.random.Generator,
) -> Leaves:
    count = len(bases)
    middle = np.column_stack(
        [np.interp(bases[:, 1], trunk[:, 1], trunk[:, axis]) for axis in (0, 2)]
    )
    outward = np.zeros((count, 3))
    outward[:, [0, 2]] = bases[:, [0, 2]] - middle
    outward = outward / (np.linalg.norm(outward, axis=1, keepdims=True) + 1.0)
    length = away + 0.35 * outward + turn_rng.normal(0.0, 0.25, (count, 3))
    length = length - np.array([0.0, 0.45, 0.0])
    length = length / np.linalg.norm(length, axis=1, keepdims=True)
    # Upper sides look to the light: up and outwards; some hang upside down.
    loose = np.where(turn_rng.random((count, 1)) < 0.35, 1.1, 0.45)
    up = np.array([0.0, 0.8, 0.0]) + 0.35 * outward + loose * turn_rng.normal(0.0, 1.0, (count, 3))
    side = np.cross(length, up)
    side = side / np.linalg.norm(side, axis=1, keepdims=True)
    colours, rims = leaf_colours(dials, count, look_rng)
    shortest, longest = dials.leaf_mm
    eaten = look_rng.random(count) < dials.eaten_leaves
    whole, bitten = (
        look_rng.integers(0, WHOLE, count),
        look_rng.integers(WHOLE, WHOLE + EATEN, count),
    )
    return Leaves(
        bases_mm=bases,
        frames=np.stack([length, np.cross(side, length), side], axis=-1),
        lengths_mm=shortest + (longest - shortest) * _sizes(count, look_rng),
        kinds=np.where(eaten, bitten, whole),
        colours=colours,
        rims=rims,
    )


def _sizes(count: int, rng: np.random.Generator) -> Floats:
    """(N,) 0 to 1: full-grown leaves, and a third that are young or grow on spurs."""
    small = rng.random(count) < 0.33
    return np.where(small, rng.beta(1.0, 5.0, count), rng.beta(2.2, 1.7, count))


def leaf_colours(dials: TreeDials, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """(N, 3) reflectance plus transmittance of blades and of their rims, linear. Our choice."""
    old, young = np.array([0.140, 0.212, 0.068]), np.array([0.315, 0.390, 0.090])
    age = np.clip(rng.beta(1.7, 2.6, count), 0.0, 1.0)[:, None]
    colours = ((1.0 - age) * old + age * young) * rng.uniform(0.72, 1.3, (count, 1))
    # Dust and bloom take away the colour of some.
    grey = 0.40 * rng.random((count, 1)) ** 2
    colours = colours * (1.0 - grey) + grey * (0.28, 0.30, 0.20)
    fading = rng.random(count) < dials.yellow_leaves
    yellow = np.array([0.52, 0.42, 0.07]) * rng.uniform(0.6, 1.1, (count, 1))
    turned = rng.uniform(0.35, 1.0, (count, 1))
    colours = np.where(fading[:, None], turned * yellow + (1.0 - turned) * colours, colours)
    scorched = rng.random(count) < 0.05 + 0.5 * fading
    rims = np.where(scorched[:, None], (0.20, 0.125, 0.06), colours * 0.92)
    return np.asarray(colours), np.asarray(rims)


def outside_fruit(leaves: Leaves, fruits: Fruits) -> Bools:
    """Leaves whose foot, middle and tip lie in no fruit."""
    outside = np.ones(len(leaves.lengths_mm), dtype=np.bool_)
    if not len(fruits.centres_mm):
        return outside
    axis = leaves.lengths_mm[:, None] * leaves.frames[:, :, 0]
    drop = leaves.lengths_mm[:, None] * leaves.frames[:, :, 1]
    # |p - c|² > r² for all fruit is |p|² > max(2 p·c - |c|² + r²): one product of matrices.
    reach = (fruits.diameters_mm / 2.0 + 2.0) ** 2 - (fruits.centres_mm**2).sum(axis=1)
    all_fruit = np.vstack([2.0 * fruits.centres_mm.T, reach])
    for share in (0.1, 0.45, 0.9):
        # The blade sags by about a fifth of its length towards the tip.
        points = leaves.bases_mm + share * axis - 0.2 * share**2 * drop
        inside = (np.column_stack([points, np.ones(len(points))]) @ all_fruit).max(axis=1)
        outside &= (points**2).sum(axis=1) > inside
    return outside


def leaf_mesh(leaves: Leaves, *, detail: int, eye_mm: Floats, curl: float = 1.0) -> list[Mesh]:
    """Leaves as meshes, one per shape.

    `detail` : see `leaf_shape`; `eye_mm` : (3,) where the camera is: a side that is seen from
    below is painted paler, as the undersides of apple leaves are; `curl` : 1 as the shape has it.
    """
    found = []
    for kind in np.unique(leaves.kinds).tolist():
        found.append(_one_shape(leaves.where(leaves.kinds == kind), kind, detail, (curl, eye_mm)))
    return found


def _one_shape(leaves: Leaves, kind: int, detail: int, view: tuple[float, Floats]) -> Mesh:
    shape, (curl, eye_mm) = leaf_shape(kind, detail), view
    bend = np.array([1.0, curl, 1.0])
    turns = leaves.frames * leaves.lengths_mm[:, None, None]
    points = np.matmul(shape.points * bend, turns.transpose(0, 2, 1)) + leaves.bases_mm[:, None, :]
    normals = np.matmul(shape.normals, leaves.frames.transpose(0, 2, 1))
    below = ((eye_mm - points) * normals).sum(axis=-1, keepdims=True) < 0.0
    rim = shape.rim[None, :, None]
    upper = leaves.colours[:, None, :] * (1.0 - rim) + leaves.rims[:, None, :] * rim
    upper = upper * (1.0 + 0.10 * shape.bulge)[None, :, None]
    pale = 0.70 * shape.pale[None, :, None]
    upper = upper * (1.0 - pale) + pale * (0.40, 0.46, 0.26)
    under = 0.55 * upper + (0.180, 0.205, 0.122)
    return Mesh(
        material="leaf",
        points_mm=points.reshape(-1, 3),
        faces=copies(shape.faces, len(shape.points), len(points)),
        colours=np.where(below, under, upper).reshape(-1, 3),
        normals=normals.reshape(-1, 3) if detail > 1 else None,
    )


def fallen_leaves(dials: TreeDials, feet_mm: Floats, rng: np.random.Generator) -> Leaves:
    """Dry leaves that lie about on the ground at (N, 3) places."""
    count = len(feet_mm)
    tilt = turns_about(rng.normal(size=(count, 3)) * (1.0, 0.1, 1.0), rng.normal(0.0, 0.4, count))
    spin = turns_about(np.tile([0.0, 1.0, 0.0], (count, 1)), rng.uniform(0.0, 6.28, count))
    brown = np.array([0.27, 0.16, 0.08]) * rng.uniform(0.5, 1.5, (count, 1))
    return Leaves(
        bases_mm=feet_mm,
        frames=tilt @ spin,
        lengths_mm=rng.uniform(dials.leaf_mm[0], 0.8 * dials.leaf_mm[1], count),
        kinds=rng.integers(0, WHOLE + EATEN, count),
        colours=brown,
        rims=brown * 0.8,
    )

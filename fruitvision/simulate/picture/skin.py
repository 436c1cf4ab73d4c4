"""Colours of the skin of apples: a ground, a blush on the sunny side, stripes, a russet cavity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.meshes import Ints, Mesh, copies, lathe
from fruitvision.simulate.picture.tree import Fruits

Colour = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Skin:
    """Linear reflectances of a variety in mid August, and how far the blush has come."""

    ground: Colour
    greener: Colour
    blush: Colour
    cover: float
    cover_sd: float
    stripes: float


# Our invention, after how the two varieties look three and seven weeks before their pick.
SKINS = {
    "Gala": Skin(
        ground=(0.56, 0.50, 0.13),
        greener=(0.38, 0.44, 0.11),
        blush=(0.46, 0.035, 0.022),
        cover=0.60,
        cover_sd=0.13,
        stripes=0.65,
    ),
    "Fuji": Skin(
        ground=(0.43, 0.45, 0.14),
        greener=(0.27, 0.36, 0.09),
        blush=(0.40, 0.075, 0.065),
        cover=0.48,
        cover_sd=0.15,
        stripes=0.40,
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SkinDials:
    """Look of the skin. `kind` : a name of `SKINS`; empty takes that of the block's variety."""

    kind: str = ""


def skin_of(dials: SkinDials, variety: str) -> Skin:
    """The skin of a preset on a variety."""
    return SKINS[dials.kind or variety]


def fruit_mesh(
    fruits: Fruits, labels: Ints, skin: Skin, sunny: Floats, seed: int, *, rows: int
) -> Mesh:
    """All fruit of a tree as one mesh.

    `labels` : (N,) number + 1 of each fruit in the picture; `sunny` : (N, 3) direction of each
    fruit's blushed side; `rows` : rings of the mesh, twice as many segments around.
    """
    points, normals, directions, faces = lathe(rows, 2 * rows)
    half = np.stack([fruits.diameters_mm, fruits.heights_mm, fruits.diameters_mm], axis=1) / 2.0
    turned = np.einsum("nij,vj->nvi", fruits.turns * half[:, None, :], points)
    normals = np.einsum("nij,vj->nvi", fruits.turns / half[:, None, :], normals)
    normals = normals / np.linalg.norm(normals, axis=2, keepdims=True)
    own_sunny = np.einsum("nij,ni->nj", fruits.turns, sunny)
    rng = np.random.default_rng(seed)
    return Mesh(
        material="fruit",
        points_mm=(turned + fruits.centres_mm[:, None, :]).reshape(-1, 3),
        faces=copies(faces, len(points), len(labels)),
        colours=_paint(directions, own_sunny, skin, rng).reshape(-1, 3),
        normals=normals.reshape(-1, 3),
        labels=np.repeat(labels, len(points)),
    )


def sunny_sides(fruits: Fruits, foot_mm: Floats, rng: np.random.Generator) -> Floats:
    """(N, 3) directions of the blush: outwards and upwards, with some freedom."""
    outward = fruits.centres_mm - foot_mm
    outward[:, 1] = 0.0
    outward = outward / (np.linalg.norm(outward, axis=1, keepdims=True) + 1.0)
    sunny = outward + np.array([0.0, 0.45, 0.0]) + rng.normal(0.0, 0.55, outward.shape)
    return np.asarray(sunny / np.linalg.norm(sunny, axis=1, keepdims=True))


def _paint(directions: Floats, sunny: Floats, skin: Skin, rng: np.random.Generator) -> Floats:
    """(N, V, 3) colours of N fruit at V directions given in the fruit's own axes."""
    count = len(sunny)
    cover = np.clip(rng.normal(skin.cover, skin.cover_sd, (count, 1)), 0.05, 0.95)
    azimuth = np.arctan2(directions[:, 2], directions[:, 0])[None]
    facing = sunny @ directions.T
    stripe, cloud = _waves(azimuth, count, (9, 14, 21, 30), rng), _clouds(directions, count, rng)
    # Half of the sphere faces the sunny side at 0; a cover of c has its edge at 1 - 2 c.
    amount = (facing - (1.0 - 2.0 * cover)) / 0.55 + 0.45 * cloud
    amount = amount + skin.stripes * 0.9 * stripe * np.exp(-(amount**2))
    amount = 1.0 / (1.0 + np.exp(-3.2 * amount))
    amount = amount * (1.0 - 0.22 * skin.stripes * (1.0 - stripe) * 0.5)
    ripe = np.clip(rng.normal(0.5, 0.25, (count, 1, 1)), 0.0, 1.0)
    ground = ripe * np.array(skin.ground) + (1.0 - ripe) * np.array(skin.greener)
    deep = np.array(skin.blush) * rng.uniform(0.75, 1.15, (count, 1, 1))
    colours = amount[..., None] * deep + (1.0 - amount[..., None]) * ground
    near_stem = np.exp(-(((1.0 - directions[:, 1]) / 0.035) ** 2))[None, :, None]
    near_calyx = np.exp(-(((1.0 + directions[:, 1]) / 0.012) ** 2))[None, :, None]
    colours = colours * (1.0 - 0.75 * near_stem) + 0.75 * near_stem * np.array([0.20, 0.15, 0.05])
    colours = colours * (1.0 - near_calyx) + near_calyx * np.array([0.06, 0.05, 0.025])
    return np.asarray(np.clip(colours, 0.01, 0.9), dtype=np.float64)


def _waves(azimuth: Floats, count: int, rates: tuple[int, ...], rng: np.random.Generator) -> Floats:
    """(N, V) stripes from stem to calyx, about -1 to 1."""
    total = np.zeros((count, azimuth.shape[1]))
    for rate in rates:
        phase = rng.uniform(0.0, 6.28, (count, 1))
        total += rng.uniform(0.3, 0.9, (count, 1)) * np.sin(rate * azimuth + phase)
    return np.clip(total, -1.2, 1.2)


def _clouds(directions: Floats, count: int, rng: np.random.Generator) -> Floats:
    """(N, V) soft patches, about -1 to 1."""
    total = np.zeros((count, len(directions)))
    for rate in (2.5, 4.0, 6.5):
        wave = rng.normal(0.0, rate, (count, 3)) @ directions.T
        total += np.sin(wave + rng.uniform(0.0, 6.28, (count, 1))) / 2.0
    return total

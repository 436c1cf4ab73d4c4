"""Fruit as triangles with painted skins; the dials of the skin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.dials import check_choice, check_number
from fruitvision.simulate.picture.meshes import Ints, Mesh, copies, lathe
from fruitvision.simulate.picture.paint import Film, FruitLooks, draw_looks, paint
from fruitvision.simulate.picture.parts import Fruits
from fruitvision.simulate.picture.skins import SKINS, Skin

__all__ = [
    "SKINS",
    "Skin",
    "SkinDials",
    "fruit_mesh",
    "looks_of",
    "painted_fruit",
    "skin_of",
    "sunny_sides",
]

# Below this the down of young fruit shows; from memory, they lose it at about walnut size.
DOWNY_MM = 35.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SkinDials:
    """Look of the skin. Our choice.

    `kind` : a name of `SKINS`; empty takes that of the block's variety; `cover_change` : added to
    the share of skin with blush; `spots` : how clearly lenticels show, 1 as the kind has them;
    `russet_share`, `sunburn_share` : of the fruit; `dust`, `bloom` : films, 0 none to 1 heavy;
    `wet` : after rain.
    """

    kind: str = ""
    cover_change: float = 0.0
    spots: float = 1.0
    russet_share: float = 0.12
    sunburn_share: float = 0.02
    dust: float = 0.08
    bloom: float = 0.35
    wet: bool = False

    def __post_init__(self) -> None:
        """Refuse impossible skins.

        Raises
        ------
        SimulationError
            Naming the dial and its valid values.
        """
        if self.kind:
            check_choice("kind", self.kind, tuple(SKINS))
        check_number("cover_change", self.cover_change, -1.0, 1.0)
        check_number("spots", self.spots, 0.0, 2.0)
        for name in ("russet_share", "sunburn_share", "dust", "bloom"):
            check_number(name, getattr(self, name), 0.0, 1.0)


# Meshes of so many rings or fewer have no room for a stem cavity.
COARSE_ROWS = 13

# As painted before anything lies on it.
BARE = SkinDials(spots=0.0, russet_share=0.0, sunburn_share=0.0, dust=0.0, bloom=0.0)


def skin_of(dials: SkinDials, variety: str) -> Skin:
    """The skin of a preset on a variety.

    Raises
    ------
    SimulationError
        If the variety has no skin of its own and the dials name none.
    """
    name = dials.kind or variety
    check_choice("kind", name, tuple(SKINS))
    return SKINS[name]


def looks_of(
    fruits: Fruits, skin: Skin, sunny: Floats, dials: SkinDials, rng: np.random.Generator
) -> FruitLooks:
    """What each fruit looks like, from whichever place it is seen."""
    own_sunny = np.einsum("nij,ni->nj", fruits.turns, sunny)
    shares = (dials.cover_change, dials.russet_share, dials.sunburn_share)
    return draw_looks(skin, shares, own_sunny, rng)


def fruit_mesh(
    fruits: Fruits, labels: Ints, skin: Skin, sunny: Floats, seed: int, *, rows: int
) -> Mesh:
    """All fruit of a tree as one mesh, their skins bare.

    `labels` : (N,) number + 1 of each fruit in the picture; `sunny` : (N, 3) direction of each
    fruit's blushed side; `rows` : rings of the mesh, twice as many segments around.
    """
    looks = looks_of(fruits, skin, sunny, BARE, np.random.default_rng(seed))
    return painted_fruit(fruits, labels, skin, looks, BARE, rows=rows)


def painted_fruit(
    fruits: Fruits, labels: Ints, skin: Skin, looks: FruitLooks, dials: SkinDials, *, rows: int
) -> Mesh:
    """All of these fruit as one mesh with `rows` rings each."""
    young = bool(len(labels)) and float(np.median(fruits.diameters_mm)) < DOWNY_MM
    # Fruitlets have a shallow stem cavity yet; a coarse mesh would have a blunt end for one.
    hollow = float(np.clip((np.median(fruits.diameters_mm) - 10.0) / 50.0, 0.2, 1.0))
    hollow = hollow if rows > COARSE_ROWS else 0.0
    points, normals, directions, faces = lathe(rows, 2 * rows, hollow=hollow)
    half = np.stack([fruits.diameters_mm, fruits.heights_mm, fruits.diameters_mm], axis=1) / 2.0
    turned = np.matmul(points, (fruits.turns * half[:, None, :]).transpose(0, 2, 1))
    normals = np.matmul(normals, (fruits.turns / half[:, None, :]).transpose(0, 2, 1))
    normals = normals / np.sqrt(np.einsum("nvi,nvi->nv", normals, normals))[..., None]
    bloom = max(dials.bloom, 0.6) if young and dials.bloom > 0.0 else dials.bloom
    film = Film(
        spots=0.3 * dials.spots if young else dials.spots,
        dust=0.3 * dials.dust if dials.wet else dials.dust,
        bloom=0.1 * bloom if dials.wet else bloom,
    )
    colours = paint(looks, skin, film, directions, normals[..., 1])
    dry = "fruitlet" if young else "fruit"
    return Mesh(
        material="wet_fruit" if dials.wet else dry,
        points_mm=(turned + fruits.centres_mm[:, None, :]).reshape(-1, 3),
        faces=copies(faces, len(points), len(labels)),
        colours=colours.reshape(-1, 3),
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

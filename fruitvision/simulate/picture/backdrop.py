"""What stands behind the last row that is drawn tree by tree. Numpy only."""

from __future__ import annotations

import numpy as np

from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.meshes import Mesh

BACKDROPS = ("hedge", "rows", "sky")
DISTANCE_MM = 24000.0


def backdrop(kind: str, rng: np.random.Generator) -> list[Mesh]:
    """A hedge of trees, more rows of the orchard, or nothing but the sky."""
    if kind == "hedge":
        return [_crowns(rng, 26, (1500.0, 2900.0), (2200.0, 4600.0), DISTANCE_MM)]
    if kind == "rows":
        return [_crowns(rng, 44, (500.0, 800.0), (1500.0, 1700.0), DISTANCE_MM - 5000.0)]
    return []


def _crowns(
    rng: np.random.Generator,
    trees: int,
    radius_mm: tuple[float, float],
    middle_mm: tuple[float, float],
    distance_mm: float,
) -> Mesh:
    """Crowns as clouds of tufts, lighter where the sky falls on them."""
    per_tree = 60000 // trees
    x = np.linspace(-17000.0, 17000.0, trees) + rng.normal(0.0, 300.0, trees)
    middles = np.stack(
        [x, rng.uniform(*middle_mm, trees), -distance_mm + rng.normal(0.0, 500.0, trees)], axis=1
    )
    radii = rng.uniform(*radius_mm, (trees, 1, 1)) * np.array([1.0, 1.15, 0.9])
    # Six lobes to a crown, so that its outline is not one ball.
    lobes = rng.normal(0.0, 0.45, (trees, 6, 3))
    lobe = rng.integers(0, 6, (trees, per_tree))
    unit = rng.normal(size=(trees, per_tree, 3))
    unit = unit / np.linalg.norm(unit, axis=2, keepdims=True)
    shell = rng.uniform(0.75, 1.0, (trees, per_tree, 1))
    local = lobes[np.arange(trees)[:, None], lobe] + 0.62 * unit * shell
    feet = (middles[:, None] + radii * local).reshape(-1, 3)
    skirt = rng.random(len(feet)) < 0.25
    # Below the crowns: shrubs, lower branches, down to the ground.
    feet[skirt, 1] = np.abs(feet[skirt, 1]) * rng.random(int(skirt.sum())) ** 1.3
    tone = rng.uniform(0.7, 1.35, (trees, 1, 1)) * np.array([0.19, 0.25, 0.10])
    tone = tone * rng.uniform(0.6, 1.4, (trees, per_tree, 1))
    return tufts(feet, rng.uniform(110.0, 270.0, len(feet)), tone.reshape(-1, 3), rng)


def tufts(feet_mm: Floats, sizes_mm: Floats, colours: Floats, rng: np.random.Generator) -> Mesh:
    """Triangles of any direction, one at each foot."""
    corners = rng.normal(0.0, 0.6, (len(feet_mm), 3, 3)) * sizes_mm[:, None, None]
    return Mesh(
        material="leaf",
        points_mm=(feet_mm[:, None, :] + corners).reshape(-1, 3),
        faces=np.arange(3 * len(feet_mm)).reshape(-1, 3),
        colours=np.repeat(colours, 3, axis=0),
    )

"""What is around the trees: soil, grass, wires, posts, a far hedge. Numpy only.

Everything is drawn as seen from face A (behind is towards -z) and mirrored for face B.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.meshes import Mesh, blades, grid_faces, tube

ROW_SPACING_MM = 3500.0
# Half of the strip under the trees that is kept free of grass, mm. Our choice.
BARE_HALF_MM = 550.0
WIRE_HEIGHTS_MM = (800.0, 1350.0, 1900.0, 2450.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundDials:
    """What grows and stands around the trees. Our choice. `weeds` : tufts under the near trees."""

    weeds: int = 5000


def surroundings(dials: GroundDials, post_at_mm: float, rng: np.random.Generator) -> list[Mesh]:
    """Soil, grass, wires of three rows, posts, and the hedge at the end of the block."""
    meshes = [_soil(rng), _grass(dials.weeds, rng), _hedge(rng)]
    for row in range(4):
        z = -row * ROW_SPACING_MM
        for height in WIRE_HEIGHTS_MM:
            # Short pieces: rays meet triangles of 18 m by 3 mm with rounding errors.
            x = np.linspace(-9000.0, 9000.0, 150)
            path = np.column_stack([x, height + x / 1200.0, np.full(150, z)])
            meshes.append(tube(path, np.full(150, 1.5), np.full(3, 0.42), sides=6))
        at = post_at_mm + rng.uniform(-300.0, 300.0) * (row > 0)
        meshes.extend(_post(at + shift, z, rng) for shift in (-8750.0, 0.0, 8750.0))
    return meshes


def mirrored(mesh: Mesh) -> Mesh:
    """The same mesh on the other side of the row."""
    flip = np.array([1.0, 1.0, -1.0])
    return Mesh(
        material=mesh.material,
        points_mm=mesh.points_mm * flip,
        faces=mesh.faces[:, [0, 2, 1]],
        colours=mesh.colours,
        normals=None if mesh.normals is None else mesh.normals * flip,
        labels=mesh.labels,
    )


def _post(x: float, z: float, rng: np.random.Generator) -> Mesh:
    path = np.column_stack([np.full(6, x), np.linspace(-20.0, 2750.0, 6), np.full(6, z)])
    grey = np.array([0.24, 0.20, 0.15]) * rng.uniform(0.8, 1.2)
    return tube(path, np.full(6, 40.0), grey, sides=20)


def _soil(rng: np.random.Generator) -> Mesh:
    x, z = np.linspace(-16000.0, 16000.0, 460), np.linspace(2500.0, -26000.0, 400)
    grid_z, grid_x = np.meshgrid(z, x, indexing="ij")
    rough = rng.normal(0.0, 1.0, grid_x.shape)
    points = np.stack([grid_x, 9.0 * rough, grid_z], axis=-1)
    under_trees = _distance_to_row(grid_z) < BARE_HALF_MM
    brown, green = np.array([0.15, 0.11, 0.07]), np.array([0.085, 0.13, 0.035])
    colours = np.where(under_trees[..., None], brown, green)
    colours = colours * np.clip(1.0 + 0.28 * rough, 0.4, 1.8)[..., None]
    return Mesh(
        material="ground",
        points_mm=points.reshape(-1, 3),
        faces=grid_faces(len(z), len(x)),
        colours=colours.reshape(-1, 3),
    )


def _distance_to_row(z: Floats) -> Floats:
    return np.asarray(np.abs((z + ROW_SPACING_MM / 2.0) % ROW_SPACING_MM - ROW_SPACING_MM / 2.0))


def _grass(weed_count: int, rng: np.random.Generator) -> Mesh:
    """Dense grass between the rows, weeds under the trees."""
    near = np.column_stack(
        [rng.uniform(-4200.0, 4200.0, 90000), rng.uniform(-5200.0, 900.0, 90000)]
    )
    far = np.column_stack(
        [rng.uniform(-8500.0, 8500.0, 90000), rng.uniform(-16000.0, -5000.0, 90000)]
    )
    weeds = np.column_stack(
        [rng.uniform(-2500.0, 2500.0, weed_count), rng.normal(0.0, 320.0, weed_count)]
    )
    alley = np.concatenate([near, far])
    alley = alley[_distance_to_row(alley[:, 1]) > BARE_HALF_MM * rng.uniform(0.75, 1.0, len(alley))]
    spots = np.concatenate([alley, weeds])
    feet = np.column_stack([spots[:, 0], np.full(len(spots), -5.0), spots[:, 1]])
    tall = rng.uniform(50.0, 150.0, len(spots))
    lean = rng.normal(0.0, 0.45, (2, len(spots)))
    tips = feet + np.column_stack([tall * lean[0], tall, tall * lean[1]])
    dry = np.clip(rng.beta(1.2, 4.5, len(spots)), 0.0, 1.0)[:, None]
    colours = (1.0 - dry) * (0.075, 0.135, 0.030) + dry * (0.36, 0.30, 0.13)
    colours = colours * rng.uniform(0.7, 1.3, (len(spots), 1))
    return blades(feet, tips, rng.uniform(4.0, 10.0, len(spots)), colours)


def _hedge(rng: np.random.Generator) -> Mesh:
    """Tree crowns at the end of the block, as a cloud of big tufts."""
    count = 60000
    x = rng.uniform(-17000.0, 17000.0, count)
    top = 4200.0 + 1500.0 * np.sin(x / 2600.0 + rng.uniform(0, 6)) + 900.0 * np.sin(x / 900.0)
    feet = np.column_stack(
        [x, top * rng.beta(1.4, 1.1, count) - 300.0, rng.uniform(-25500.0, -23500.0, count)]
    )
    tips = feet + rng.normal(0.0, 1.0, (count, 3)) * (150.0, 80.0, 150.0) + (0.0, 220.0, 0.0)
    colours = np.array([0.05, 0.085, 0.025]) * rng.uniform(0.5, 1.5, (count, 1))
    return blades(feet, tips, rng.uniform(110.0, 240.0, count), colours)

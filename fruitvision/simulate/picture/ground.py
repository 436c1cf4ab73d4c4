"""What is under and around the trees: soil, grass, weeds, litter; wires, posts and a far hedge.

Everything is drawn as seen from face A (behind is towards -z) and mirrored for face B. All shapes
and colours are our choice, by eye.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.backdrop import BACKDROPS, backdrop
from fruitvision.simulate.picture.camera import Floats
from fruitvision.simulate.picture.dials import check_choice, check_number, check_span
from fruitvision.simulate.picture.foliage import fallen_leaves, leaf_mesh
from fruitvision.simulate.picture.meshes import Mesh, blades, grid_faces
from fruitvision.simulate.picture.parts import TreeDials
from fruitvision.simulate.picture.trellis import POSTS, drip_line, posts, wires

ROW_SPACING_MM = 3500.0
# The photographed row and those behind it that can be drawn.
ROWS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundDials:
    """What grows, lies and stands around the trees. Our choice.

    `weeds` : blades under the near trees; `tall_grass` : stalks of up to a metre there, that hide
    low fruit; `grass_mm` : shortest and longest blade of the alley; `dry_grass` : 0 green to 1
    straw; `dandelions` : rosettes with some flowers; `litter` : dry leaves on the ground;
    `bare_half_mm` : half of the strip kept free of grass, 0 none.

    `fallen_per_tree` : mean number of fruit on the ground; `post` : a name of `trellis.POSTS`;
    `trees_per_post` : a post after so many trees; `wire_heights_mm` : none to many;
    `drip_mm` : height of the drip line, 0 none; `rows_behind` : rows that are drawn behind the
    photographed one; `backdrop` : a name of `backdrop.BACKDROPS`.
    """

    weeds: int = 5000
    tall_grass: int = 120
    grass_mm: tuple[float, float] = (30.0, 130.0)
    dry_grass: float = 0.22
    dandelions: int = 160
    litter: int = 250
    bare_half_mm: float = 550.0
    fallen_per_tree: float = 1.0
    post: str = "wood"
    trees_per_post: int = 5
    wire_heights_mm: tuple[float, ...] = (800.0, 1350.0, 1900.0, 2450.0)
    drip_mm: float = 480.0
    rows_behind: int = ROWS - 1
    backdrop: str = "hedge"

    def __post_init__(self) -> None:
        """Refuse impossible surroundings.

        Raises
        ------
        SimulationError
            Naming the dial and its valid values.
        """
        check_number("weeds", self.weeds, 0, 100000)
        check_number("tall_grass", self.tall_grass, 0, 20000)
        check_span("grass_mm", self.grass_mm, 5.0, 1500.0)
        check_number("dry_grass", self.dry_grass, 0.0, 1.0)
        check_number("dandelions", self.dandelions, 0, 5000)
        check_number("litter", self.litter, 0, 20000)
        check_number("bare_half_mm", self.bare_half_mm, 0.0, 1700.0)
        check_number("fallen_per_tree", self.fallen_per_tree, 0.0, 150.0)
        check_choice("post", self.post, tuple(POSTS))
        check_number("trees_per_post", self.trees_per_post, 1, 100)
        for height in self.wire_heights_mm:
            check_number("wire_heights_mm", height, 100.0, 5000.0)
        check_number("drip_mm", self.drip_mm, 0.0, 2000.0)
        check_number("rows_behind", self.rows_behind, 0, ROWS - 1)
        check_choice("backdrop", self.backdrop, BACKDROPS)


def surroundings(
    dials: GroundDials, post_at_mm: float, tree_spacing_mm: float, rng: np.random.Generator
) -> list[Mesh]:
    """Soil, what grows and lies on it, trellis of all rows, and what closes the view.

    `post_at_mm` : where along the row one of its posts stands.
    """
    streams = iter(rng.spawn(9))
    meshes = [
        _soil(dials, next(streams)),
        _grass(dials, next(streams)),
        _weeds(dials, next(streams)),
    ]
    meshes += _rosettes(dials, next(streams)) + _litter(dials, next(streams))
    meshes += backdrop(dials.backdrop, next(streams))
    rows = 1 + dials.rows_behind
    meshes += wires(dials.wire_heights_mm, rows, ROW_SPACING_MM)
    meshes += drip_line(dials.drip_mm, rows, ROW_SPACING_MM)
    post_rng = next(streams)
    step = dials.trees_per_post * tree_spacing_mm
    along = np.asarray(post_at_mm + step * np.arange(-60, 61), dtype=np.float64)
    for row in range(rows):
        shift = post_rng.uniform(-300.0, 300.0) * (row > 0)
        meshes += posts(dials.post, along + shift, -row * ROW_SPACING_MM, post_rng)
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


def _soil(dials: GroundDials, rng: np.random.Generator) -> Mesh:
    x, z = np.linspace(-16000.0, 16000.0, 330), np.linspace(2500.0, -27000.0, 300)
    grid_z, grid_x = np.meshgrid(z, x, indexing="ij")
    rough = rng.normal(0.0, 1.0, grid_x.shape)
    points = np.stack([grid_x, 9.0 * rough, grid_z], axis=-1)
    slow = np.sin(grid_x / 310.0 + 2.0 * np.sin(grid_z / 420.0)) * np.sin(grid_z / 190.0)
    under_trees = _distance_to_row(grid_z) < dials.bare_half_mm * (1.0 + 0.12 * slow)
    brown = np.array([0.205, 0.155, 0.105]) * (1.0 + 0.18 * slow)[..., None]
    dry = np.clip(dials.dry_grass + 0.12 * slow, 0.0, 1.0)[..., None]
    green = (1.0 - dry) * (0.125, 0.165, 0.055) + dry * (0.30, 0.25, 0.13)
    colours = np.where(under_trees[..., None], brown, green)
    colours = colours * np.clip(1.0 + 0.25 * rough, 0.4, 1.8)[..., None]
    return Mesh(
        material="ground",
        points_mm=points.reshape(-1, 3),
        faces=grid_faces(len(z), len(x)),
        colours=np.clip(colours, 0.01, 0.8).reshape(-1, 3),
    )


def _distance_to_row(z: Floats) -> Floats:
    return np.asarray(np.abs((z + ROW_SPACING_MM / 2.0) % ROW_SPACING_MM - ROW_SPACING_MM / 2.0))


def _grass(dials: GroundDials, rng: np.random.Generator) -> Mesh:
    """Mown grass between the rows, in tufts."""
    near = rng.uniform((-4200.0, -5200.0), (4200.0, 900.0), (80000, 2))
    far = rng.uniform((-8500.0, -16000.0), (8500.0, -5000.0), (80000, 2))
    alley = np.concatenate([near, far])
    # Blades stand closer together at tufts.
    alley[::2] += 0.55 * (np.round(alley[::2] / 130.0) * 130.0 - alley[::2])
    edge = dials.bare_half_mm * rng.uniform(0.7, 1.05, len(alley))
    alley = alley[_distance_to_row(alley[:, 1]) > edge]
    shortest, longest = dials.grass_mm
    tall = shortest + (longest - shortest) * rng.beta(1.6, 2.4, len(alley))
    return _blades(dials, alley, tall, rng)


def _blades(dials: GroundDials, spots: Floats, tall: Floats, rng: np.random.Generator) -> Mesh:
    count = len(spots)
    feet = np.column_stack([spots[:, 0], np.full(count, -5.0), spots[:, 1]])
    lean = rng.normal(0.0, 0.5, (2, count))
    tips = feet + np.column_stack([tall * lean[0], tall, tall * lean[1]])
    straw = np.clip(rng.beta(1.0, 3.0, count) * (0.3 + 3.0 * dials.dry_grass), 0.0, 1.0)[:, None]
    colours = (1.0 - straw) * (0.135, 0.205, 0.060) + straw * (0.50, 0.42, 0.22)
    colours = colours * rng.uniform(0.65, 1.35, (count, 1))
    widths = np.clip(0.07 * tall, 3.5, 9.0) * rng.uniform(0.7, 1.3, count)
    return blades(feet, tips, widths, colours)


def _weeds(dials: GroundDials, rng: np.random.Generator) -> Mesh:
    """Tufts under the near trees, and tall stalks that reach into them."""
    count = dials.weeds + dials.tall_grass
    tufts = rng.uniform((-2500.0, -450.0), (2500.0, 450.0), (90, 2))
    spots = tufts[rng.integers(0, 90, count)] + rng.normal(0.0, 70.0, (count, 2))
    tall = rng.uniform(40.0, 190.0, count)
    tall[dials.weeds :] = rng.uniform(350.0, 1000.0, dials.tall_grass)
    return _blades(dials, spots, tall, rng)


def _rosettes(dials: GroundDials, rng: np.random.Generator) -> list[Mesh]:
    """Dandelions and plantain: broad leaves flat on the ground, some with a yellow flower."""
    plants = dials.dandelions
    if not plants:
        return []
    at = rng.uniform((-3000.0, -3500.0), (3000.0, 900.0), (plants, 2))
    middle = np.repeat(at, 7, axis=0)
    turn = rng.uniform(0.0, 6.28, 7 * plants)
    reach = rng.uniform(60.0, 170.0, 7 * plants)
    feet = np.column_stack([middle[:, 0], rng.uniform(5.0, 25.0, 7 * plants), middle[:, 1]])
    out = np.column_stack([np.cos(turn), rng.uniform(0.1, 0.5, 7 * plants), np.sin(turn)])
    tips = feet + reach[:, None] * out
    side = np.column_stack([-np.sin(turn), 0.0 * turn, np.cos(turn)]) * (0.13 * reach)[:, None]
    wide = feet + 0.6 * (tips - feet)
    points = np.stack([feet, wide - side, wide + side, tips], axis=1)
    faces = np.array([[0, 2, 1], [1, 2, 3]])[None] + 4 * np.arange(7 * plants)[:, None, None]
    green = np.array([0.13, 0.215, 0.055]) * rng.uniform(0.7, 1.3, (7 * plants, 1))
    leaves = Mesh(
        material="leaf",
        points_mm=points.reshape(-1, 3),
        faces=faces.reshape(-1, 3),
        colours=np.repeat(green, 4, axis=0),
    )
    return [leaves, _flowers(at[rng.random(plants) < 0.25], rng)]


def _flowers(at: Floats, rng: np.random.Generator) -> Mesh:
    count = 14 * len(at)
    middle = np.repeat(at, 14, axis=0)
    height = np.repeat(rng.uniform(50.0, 160.0, len(at)), 14)
    feet = np.column_stack([middle[:, 0], height, middle[:, 1]])
    tips = feet + rng.normal(0.0, 1.0, (count, 3)) * (16.0, 3.0, 16.0) + (0.0, 6.0, 0.0)
    yellow = np.array([0.75, 0.58, 0.05]) * rng.uniform(0.8, 1.1, (count, 1))
    return blades(feet, tips, np.full(count, 9.0), yellow)


def _litter(dials: GroundDials, rng: np.random.Generator) -> list[Mesh]:
    """Dry leaves, most of them under the trees."""
    if not dials.litter:
        return []
    x, z = rng.uniform(-2600.0, 2600.0, dials.litter), rng.normal(0.0, 650.0, dials.litter)
    feet = np.column_stack([x, rng.uniform(8.0, 30.0, dials.litter), z])
    leaves = fallen_leaves(TreeDials(), feet, rng)
    return leaf_mesh(leaves, detail=1, eye_mm=np.array([0.0, 1400.0, 2300.0]))

"""What one photo shows: which trees stand where, the camera, the light, the printed sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.balls import Obstacles
from fruitvision.simulate.picture.camera import (
    Camera,
    Floats,
    ellipsoid_shapes,
    hold_camera,
    outlines,
)
from fruitvision.simulate.picture.ground import ROW_SPACING_MM, mirrored, surroundings
from fruitvision.simulate.picture.meshes import Ints, Mesh, leaf_mesh, merged, tube
from fruitvision.simulate.picture.references import References
from fruitvision.simulate.picture.shot import Shot
from fruitvision.simulate.picture.sight import points_along, rough_shares
from fruitvision.simulate.picture.skin import fruit_mesh, skin_of, sunny_sides
from fruitvision.simulate.picture.tree import (
    Fruits,
    Leaves,
    Tree,
    grow_tree,
    joined_fruits,
    no_fruits,
)

# Our choice: at 2.3 m a phone sees 2.3 m of the row, so 1.75 m between trees of 1.1 m keeps
# nearly all fruit of the neighbours out of the picture.
TREE_SPACING_MM = 1750.0
# Trees to each side that are drawn: this row, then the rows behind.
REACH = (2, 2, 3, 4)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stand:
    """One tree of the picture.

    `row_behind` : 0 is the photographed row; `offset` : trees along the row from the photographed
    one, so (0, 0) is that tree itself; `place` : None where the register has no bearing tree;
    `fallen` : fruit on the ground under it.
    """

    tree: Tree
    foot_mm: Floats
    row_behind: int
    offset: int
    place: tuple[int, int] | None
    fruit_ids: tuple[str, ...]
    fallen: Fruits
    fallen_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """Everything in view but the sheet.

    Labels count from 1: first the hanging fruit of all stands, one stand after another, in the
    order of `fruits()`; then the fallen ones in the order of `fallen()`.
    """

    shot: Shot
    stands: tuple[Stand, ...]
    camera: Camera
    scenery: tuple[Mesh, ...]

    def fruits(self) -> Fruits:
        """All hanging fruit of the picture in the order of their numbers."""
        return joined_fruits([stand.tree.fruits for stand in self.stands])

    def fallen(self) -> Fruits:
        """All fruit on the ground, in the order of their labels, which follow the hanging ones."""
        return joined_fruits([stand.fallen for stand in self.stands])

    def outlines(self) -> Floats:
        """(N, 5) full outlines of all hanging fruit, see `camera.outlines`."""
        return self._outlines(self.fruits())

    def fallen_outlines(self) -> Floats:
        """(M, 5) full outlines of all fallen fruit."""
        return self._outlines(self.fallen())

    def _outlines(self, fruits: Fruits) -> Floats:
        shapes = ellipsoid_shapes(fruits.turns, fruits.diameters_mm, fruits.heights_mm)
        return outlines(self.camera, fruits.centres_mm, shapes)


def compose(shot: Shot) -> Picture:
    """Put the trees, their surroundings and the camera of a photo in place."""
    rng = shot.rng(0)
    scenery = surroundings(shot.look.ground, _post_at(shot), rng)
    if shot.face == "B":
        scenery = [mirrored(mesh) for mesh in scenery]
    return Picture(
        shot=shot,
        stands=tuple(_stands(shot)),
        # Each step has its own hand; the scene stays as it is.
        camera=hold_camera(shot.look.camera, shot.towards, shot.step, shot.rng(1 + 10 * shot.step)),
        scenery=tuple(scenery),
    )


def _post_at(shot: Shot) -> float:
    """Posts stand half way between two trees, every fifth gap."""
    position = int(shot.block.places[shot.tree][1])
    return (0.5 - (position % 5)) * TREE_SPACING_MM + 2.0 * TREE_SPACING_MM


def _stands(shot: Shot) -> list[Stand]:
    row, position = shot.block.places[shot.tree].tolist()
    found = []
    for behind, reach in enumerate(REACH):
        shift = int(shot.towards) * behind
        for offset in range(-reach, reach + 1):
            stand = _stand(shot, (row + shift, position + offset), behind, offset)
            if stand is not None:
                found.append(stand)
    return found


def _stand(shot: Shot, place: tuple[int, int], behind: int, offset: int) -> Stand | None:
    """The tree at a place; outside the register an invented one, at a gap none."""
    block, plan = shot.block, shot.block.plan
    row, position = place
    rng = np.random.default_rng([shot.seed, ord(plan.letter), row + 100, position + 100, 9])
    on_register = 1 <= row <= plan.rows and 1 <= position <= plan.trees_per_row
    tree = block.tree_at(row, position) if on_register else None
    if on_register and tree is None and rng.random() < 0.5:
        return None
    if tree is None:
        count = 0 if on_register else int(rng.normal(plan.fruit_per_tree, 12.0))
        diameters = np.clip(rng.normal(plan.diameter_mm, 5.0, count), 45.0, 90.0)
        ids = tuple(f"other-r{row}-t{position}-{index + 1}" for index in range(count))
    else:
        fruit = block.fruit_of(tree)
        diameters, ids = block.diameter_mm[fruit], tuple(block.fruit_id(one) for one in fruit)
    foot = np.array([offset * TREE_SPACING_MM, 0.0, -shot.towards * behind * ROW_SPACING_MM])
    foot[[0, 2]] += rng.normal(0.0, 25.0, 2)
    return Stand(
        tree=grow_tree(shot.look.tree, diameters, foot, rng),
        foot_mm=foot,
        row_behind=behind,
        offset=offset,
        place=None if tree is None else (row, position),
        fruit_ids=ids,
        fallen=no_fruits(),
        fallen_ids=(),
    )


def meshes(picture: Picture, references: References) -> list[Mesh]:
    """All triangles of the picture but the sheet; leaves that hide a reference are left out."""
    parts = list(picture.scenery)
    look = picture.shot.look
    first = 1
    for stand in picture.stands:
        near = stand.row_behind == 0
        tree, count = stand.tree, len(stand.fruit_ids)
        rng = np.random.default_rng([len(stand.fruit_ids), int(abs(stand.foot_mm).sum() * 1000)])
        leaves = tree.leaves
        if near:
            leaves = leaves.where(~references.covered_by(picture.camera, leaves.middles_mm()))
        parts.append(_foliage(leaves, rows=7 if near else 4))
        parts.extend(_wood(tree))
        if count:
            labels: Ints = np.arange(first, first + count)
            sunny = sunny_sides(tree.fruits, stand.foot_mm, rng)
            skin = skin_of(look.skin, picture.shot.block.plan.variety)
            seed = int(rng.integers(1 << 31))
            rows = 33 if near else 13
            parts.append(fruit_mesh(tree.fruits, labels, skin, sunny, seed, rows=rows))
        first += count
    parts.extend(references.meshes(first + len(picture.fallen().diameters_mm)))
    return merged(parts)


def _foliage(leaves: Leaves, *, rows: int) -> Mesh:
    return leaf_mesh(leaves.bases_mm, leaves.frames, leaves.lengths_mm, leaves.colours, rows=rows)


def _wood(tree: Tree) -> list[Mesh]:
    bark = np.array([0.19, 0.15, 0.11])
    parts = [tube(tree.trunk_mm, np.linspace(26.0, 7.0, len(tree.trunk_mm)), bark, sides=14)]
    thick = np.linspace(8.5, 2.2, tree.limbs_mm.shape[1])
    parts.extend(tube(limb, thick, 0.85 * bark, sides=7) for limb in tree.limbs_mm)
    fruits = tree.fruits
    green = np.array([0.12, 0.13, 0.05])
    tops = fruits.centres_mm + fruits.turns[:, :, 1] * (0.33 * fruits.heights_mm[:, None])
    for top, spot in zip(tops, fruits.spots_mm, strict=True):
        path = np.stack([top, (top + spot) / 2.0 + (0.0, 4.0, 0.0), spot])
        parts.append(tube(path, np.array([1.4, 1.2, 1.9]), green, sides=5))
    return parts


def solid_points(picture: Picture) -> Floats:
    """(N, 3) points of this row that would cover a sheet: fruit, limbs, posts."""
    return obstacles(picture).centres_mm


def obstacles(picture: Picture) -> Obstacles:
    """What stands in the way of references in this row: fruit, limbs, trunks, posts."""
    trees = [stand.tree for stand in picture.stands if stand.row_behind == 0]
    height = np.linspace(0.0, 2700.0, 40)
    at = np.full(40, _post_at(picture.shot))
    post = [np.column_stack([at + side, height, 0.0 * height]) for side in (-40.0, 40.0)]
    wood = [*post, *[tree.limbs_mm.reshape(-1, 3) for tree in trees]]
    parts = [
        *[(points, np.full(len(points), 20.0)) for points in wood],
        *[(tree.fruits.centres_mm, tree.fruits.diameters_mm / 2.0) for tree in trees],
    ]
    return Obstacles(
        centres_mm=np.concatenate([points for points, _ in parts]),
        radii_mm=np.concatenate([radii for _, radii in parts]),
    )


def rough_shares_of(picture: Picture) -> Floats:
    """(N,) roughly visible part of each hanging fruit, see `sight.rough_shares`."""
    leaves = [stand.tree.leaves for stand in picture.stands if stand.row_behind == 0]
    along = [points_along(one.bases_mm, one.frames[:, :, 0], one.lengths_mm) for one in leaves]
    fruits = picture.fruits()
    return rough_shares(
        picture.camera, fruits.centres_mm, fruits.diameters_mm, np.concatenate(along)
    )

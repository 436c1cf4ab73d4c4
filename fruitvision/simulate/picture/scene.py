"""What one photo shows: which trees stand where, the camera, the light, the printed sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fruitvision.simulate.picture.balls import Obstacles
from fruitvision.simulate.picture.camera import (
    Camera,
    Floats,
    ellipsoid_shapes,
    hold_camera,
    outlines,
)
from fruitvision.simulate.picture.dress import Paint, Views, fruit_meshes, leaf_meshes, wood_meshes
from fruitvision.simulate.picture.fallen import drop_fruit
from fruitvision.simulate.picture.ground import ROW_SPACING_MM, mirrored, surroundings
from fruitvision.simulate.picture.meshes import Mesh, merged
from fruitvision.simulate.picture.references import References, Sheet
from fruitvision.simulate.picture.shot import Shot
from fruitvision.simulate.picture.sight import points_along, rough_shares
from fruitvision.simulate.picture.skin import skin_of
from fruitvision.simulate.picture.tree import Fruits, Tree, TreeDials, grow_tree, joined_fruits

# Trees to each side that are drawn: this row, then the rows behind.
REACH = (2, 2, 3, 4)
# Share of its leaves that a tree of each row is drawn with; the rest are made up by their size.
LEAF_SHARES = (1.0, 1.0, 0.55, 0.4)


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
    spacing_mm = shot.look.tree.spacing_mm
    scenery = surroundings(shot.look.ground, _post_at(shot), spacing_mm, rng)
    if shot.face == "B":
        scenery = [mirrored(mesh) for mesh in scenery]
    return Picture(
        shot=shot,
        stands=tuple(_stands(shot)),
        camera=camera_of(shot),
        scenery=tuple(scenery),
    )


def camera_of(shot: Shot, sheet: Sheet | None = None) -> Camera:
    """Each step along the row has its own hand; the scene stays as it is.

    Steps go towards the sheet, so that it stays in the picture; without one along the row.
    """
    back = sheet is not None and float(sheet.middle_mm[0]) < 0.0
    along = -shot.step if back else shot.step
    return hold_camera(shot.look.camera, shot.towards, along, shot.rng(1 + 10 * shot.step))


def _post_at(shot: Shot) -> float:
    """Posts stand half way between two trees, one after every so many trees of the row."""
    position = int(shot.block.places[shot.tree][1])
    trees = shot.look.ground.trees_per_post
    nearest = (position + trees // 2) % trees - trees // 2
    return (0.5 - nearest) * shot.look.tree.spacing_mm


def _stands(shot: Shot) -> list[Stand]:
    row, position = shot.block.places[shot.tree].tolist()
    found = []
    for behind, reach in enumerate(REACH[: 1 + shot.look.ground.rows_behind]):
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
    tree_rng, fallen_rng = rng.spawn(2)
    on_register = 1 <= row <= plan.rows and 1 <= position <= plan.trees_per_row
    tree = block.tree_at(row, position) if on_register else None
    if on_register and tree is None and rng.random() < 0.5:
        return None
    if tree is None:
        count = 0 if on_register else max(int(rng.normal(plan.fruit_per_tree, 12.0)), 0)
        diameters = np.clip(rng.normal(plan.diameter_mm, 5.0, count), 15.0, 110.0)
        ids = tuple(f"other-r{row}-t{position}-{index + 1}" for index in range(count))
    else:
        fruit = block.fruit_of(tree)
        diameters, ids = block.diameter_mm[fruit], tuple(block.fruit_id(one) for one in fruit)
    spacing_mm = shot.look.tree.spacing_mm
    foot = np.array([offset * spacing_mm, 0.0, -shot.towards * behind * ROW_SPACING_MM])
    foot[[0, 2]] += rng.normal(0.0, 25.0, 2)
    # Fruit on the ground further back than the next row are hidden.
    mean = shot.look.ground.fallen_per_tree if behind < 2 else 0.0
    fallen = drop_fruit(mean, diameters, foot, fallen_rng)
    return Stand(
        tree=grow_tree(_far_dials(shot.look.tree, behind), diameters, foot, tree_rng),
        foot_mm=foot,
        row_behind=behind,
        offset=offset,
        place=None if tree is None else (row, position),
        fruit_ids=ids,
        fallen=fallen,
        fallen_ids=tuple(
            f"fallen-r{row}-t{position}-{index + 1}" for index in range(len(fallen.diameters_mm))
        ),
    )


def _far_dials(dials: TreeDials, behind: int) -> TreeDials:
    """Fewer and larger leaves where they are small in the picture; the fruit stay as they are."""
    share = LEAF_SHARES[behind]
    shortest, longest = (min(length / share**0.5, 200.0) for length in dials.leaf_mm)
    return replace(dials, leaves=int(share * dials.leaves), leaf_mm=(shortest, longest))


def meshes(picture: Picture, references: References) -> list[Mesh]:
    """All triangles of the picture but the sheet.

    Leaves that hide a reference in the first photo of the face are left out of all its photos.
    """
    parts = list(picture.scenery)
    look, camera = picture.shot.look, picture.camera
    views = Views(camera=camera, first=camera_of(replace(picture.shot, step=0)))
    paint = Paint(
        skin=skin_of(look.skin, picture.shot.block.plan.variety),
        dials=look.skin,
    )
    label, fallen_label = 1, 1 + sum(len(stand.fruit_ids) for stand in picture.stands)
    for stand in picture.stands:
        tree, near = stand.tree, stand.row_behind == 0
        leaves = tree.leaves
        if near:
            leaves = leaves.where(~references.covered_by(views.first, leaves.middles_mm()))
        parts += leaf_meshes(leaves, camera, near=near, curl=look.tree.leaf_curl)
        seed = _looks_seed(stand)
        thick = look.tree.trunk_mm, look.tree.limb_mm
        parts += wood_meshes(tree, thick, near=stand.row_behind < 2, seed=[*seed, 2])
        labels = np.arange(label, label + len(stand.fruit_ids))
        parts += fruit_meshes(tree.fruits, labels, paint, stand.foot_mm, views, seed)
        labels = np.arange(fallen_label, fallen_label + len(stand.fallen_ids))
        fallen_seed = [*seed, 3]
        parts += fruit_meshes(stand.fallen, labels, paint, stand.foot_mm, views, fallen_seed)
        label, fallen_label = label + len(stand.fruit_ids), fallen_label + len(stand.fallen_ids)
    parts += references.meshes(fallen_label)
    return merged(parts)


def _looks_seed(stand: Stand) -> list[int]:
    """The same for a tree in whichever photo it is seen, since no two trunks are bent alike."""
    bends = np.rint(1000.0 * (stand.tree.trunk_mm[2:5] - stand.foot_mm)[:, [0, 2]])
    return [len(stand.fruit_ids), *(int(abs(value)) for value in bends.ravel())]


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

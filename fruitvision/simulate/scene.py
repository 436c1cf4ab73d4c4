"""What one photo shows: which trees stand where, the camera, the light, the printed sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.ground import ROW_SPACING_MM, mirrored, surroundings
from fruitvision.simulate.marker import SHEET_MM, marker_corners_on_sheet_mm
from fruitvision.simulate.meshes import Ints, Mesh, leaf_mesh, merged, tube
from fruitvision.simulate.projection import (
    Bools,
    Camera,
    Floats,
    ellipsoid_shapes,
    outlines,
    turns_about,
)
from fruitvision.simulate.season import SeasonBlock
from fruitvision.simulate.skin import fruit_mesh, sunny_sides
from fruitvision.simulate.tree import Fruits, Leaves, Tree, grow_tree

# Our choice: at 2.3 m a phone sees 2.3 m of the row, so 1.75 m between trees of 1.1 m keeps
# nearly all fruit of the neighbours out of the picture.
TREE_SPACING_MM = 1750.0
CAMERA_DISTANCE_MM = 2300.0
CAMERA_HEIGHT_MM = 1400.0
FOCAL_35MM = 26.0
WIDTH_PX, HEIGHT_PX = 1500, 2000
# Trees to each side that are drawn: this row, then the rows behind.
REACH = (2, 2, 3, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One photo to be made: the tree by its index in the block, and the face."""

    block: SeasonBlock
    tree: int
    face: str
    seed: int

    @property
    def towards(self) -> float:
        """Sign of z on the camera's side of the row."""
        return 1.0 if self.face == "A" else -1.0

    def rng(self, purpose: int) -> np.random.Generator:
        """Stream of this photo for one purpose."""
        row, position = self.block.places[self.tree].tolist()
        name = ord(self.block.plan.letter)
        return np.random.default_rng([self.seed, name, row, position, ord(self.face), purpose])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stand:
    """One tree of the picture; `place` is None where the register has no bearing tree."""

    tree: Tree
    foot_mm: Floats
    row_behind: int
    place: tuple[int, int] | None
    fruit_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """Everything in view but the sheet. Fruit of all stands are numbered one after another."""

    shot: Shot
    stands: tuple[Stand, ...]
    camera: Camera
    scenery: tuple[Mesh, ...]

    def fruits(self) -> Fruits:
        """All fruit of the picture in the order of their numbers."""
        groups = [stand.tree.fruits for stand in self.stands]
        return Fruits(
            centres_mm=np.concatenate([group.centres_mm for group in groups]),
            spots_mm=np.concatenate([group.spots_mm for group in groups]),
            turns=np.concatenate([group.turns for group in groups]),
            diameters_mm=np.concatenate([group.diameters_mm for group in groups]),
            heights_mm=np.concatenate([group.heights_mm for group in groups]),
        )

    def outlines(self) -> Floats:
        """(N, 5) full outlines of all fruit, see `projection.outlines`."""
        fruits = self.fruits()
        shapes = ellipsoid_shapes(fruits.turns, fruits.diameters_mm, fruits.heights_mm)
        return outlines(self.camera, fruits.centres_mm, shapes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """The printed sheet: middle (3,), and the unit vectors right and up (3,) of its face."""

    middle_mm: Floats
    right: Floats
    up: Floats

    def points(self, on_sheet_mm: Floats) -> Floats:
        """(N, 3) world points of (N, 2) places on the sheet."""
        return np.asarray(
            self.middle_mm + on_sheet_mm[:, :1] * self.right + on_sheet_mm[:, 1:] * self.up
        )

    def corners_px(self, camera: Camera) -> Floats:
        """(4, 2) corners of the black square: top left, top right, bottom right, bottom left."""
        return camera.project(self.points(marker_corners_on_sheet_mm()))


def compose(shot: Shot) -> Picture:
    """Put the trees, their surroundings and the camera of a photo in place."""
    rng = shot.rng(0)
    scenery = surroundings(_post_at(shot), rng)
    if shot.face == "B":
        scenery = [mirrored(mesh) for mesh in scenery]
    return Picture(
        shot=shot,
        stands=tuple(_stands(shot)),
        camera=_hold_camera(shot.towards, shot.rng(1)),
        scenery=tuple(scenery),
    )


def _post_at(shot: Shot) -> float:
    """Posts stand half way between two trees, every fifth gap."""
    position = int(shot.block.places[shot.tree][1])
    return (0.5 - (position % 5)) * TREE_SPACING_MM + 2.0 * TREE_SPACING_MM


def _hold_camera(towards: float, rng: np.random.Generator) -> Camera:
    x, height, distance = rng.normal(
        (0.0, CAMERA_HEIGHT_MM, CAMERA_DISTANCE_MM), (35.0, 25.0, 35.0)
    )
    yaw, pitch, roll = np.radians(rng.normal(0.0, (1.0, 0.9, 0.7)))
    forward = (float(np.sin(yaw)), float(np.sin(pitch)), float(-towards * np.cos(yaw)))
    diagonal_px = float(np.hypot(WIDTH_PX, HEIGHT_PX))
    return Camera(
        position_mm=(x, height, towards * distance),
        forward=forward,
        up=(float(np.sin(roll)), float(np.cos(roll)), 0.0),
        # 43.2666 mm is the diagonal of 36 mm x 24 mm film (CIPA DCG-001).
        focal_px=FOCAL_35MM / 43.2666 * diagonal_px,
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
    )


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
        tree=grow_tree(diameters, foot, rng),
        foot_mm=foot,
        row_behind=behind,
        place=None if tree is None else (row, position),
        fruit_ids=ids,
    )


def hang_sheet(picture: Picture, visible_depth_mm: float) -> Sheet:
    """Hang the sheet beside the tree, about as deep as its visible fruit are on average."""
    rng = picture.shot.rng(2)
    # A person judges the mean depth of the fruit to within some centimetres. Our choice.
    depth = visible_depth_mm + float(np.clip(rng.normal(0.0, 35.0), -80.0, 80.0))
    in_the_way = _solid_points(picture)
    tries = [_one_sheet(picture, depth, rng) for _ in range(60)]
    blocked = [int(_covers(in_the_way, sheet, picture.camera).sum()) for sheet in tries]
    cut = [0 if _in_frame(sheet, picture.camera) else 10000 for sheet in tries]
    return tries[int(np.argmin(np.add(blocked, cut)))]


def _in_frame(sheet: Sheet, camera: Camera) -> bool:
    corners_px = sheet.corners_px(camera)
    far_px = np.array([camera.width_px, camera.height_px]) - 60.0
    return bool(((corners_px > 60.0) & (corners_px < far_px)).all())


def _solid_points(picture: Picture) -> Floats:
    """Points of this row that would cover a sheet: fruit, limbs, posts."""
    trees = [stand.tree for stand in picture.stands if stand.row_behind == 0]
    height = np.linspace(0.0, 2700.0, 40)
    at = np.full(40, _post_at(picture.shot))
    post = [np.column_stack([at + side, height, 0.0 * height]) for side in (-40.0, 40.0)]
    fruit = [tree.fruits.centres_mm for tree in trees]
    return np.concatenate([*post, *fruit, *[tree.limbs_mm.reshape(-1, 3) for tree in trees]])


def _one_sheet(picture: Picture, depth_mm: float, rng: np.random.Generator) -> Sheet:
    camera, towards = picture.camera, picture.shot.towards
    aside = rng.choice((-1.0, 1.0)) * rng.uniform(650.0, 790.0)
    # Between two wires, so that none runs across it.
    height = rng.uniform(*((995.0, 1135.0), (1545.0, 1690.0))[int(rng.integers(2))])
    forward = camera.axes()[2]
    line = np.array([aside, height, 0.0]) - np.array(camera.position_mm)
    # Slide towards the camera or away until the middle has the wanted depth.
    line[2] = (depth_mm - line[:2] @ forward[:2]) / forward[2]
    # Tilt about a nearly upright axis, as wind and string do.
    tilt = np.radians(rng.uniform(-15.0, 15.0))
    axis = np.array([[rng.normal(0.0, 0.35), 1.0, rng.normal(0.0, 0.1)]])
    turn = turns_about(axis, np.array([tilt]))[0]
    return Sheet(
        middle_mm=np.array(camera.position_mm) + line,
        right=turn @ np.array([towards, 0.0, 0.0]),
        up=turn @ np.array([0.0, 1.0, 0.0]),
    )


def meshes(picture: Picture, sheet: Sheet | None) -> list[Mesh]:
    """All triangles of the picture; leaves that would cover the sheet are left out."""
    parts = list(picture.scenery)
    first = 1
    for stand in picture.stands:
        near = stand.row_behind == 0
        tree, count = stand.tree, len(stand.fruit_ids)
        rng = np.random.default_rng([len(stand.fruit_ids), int(abs(stand.foot_mm).sum() * 1000)])
        leaves = tree.leaves
        if near and sheet is not None:
            leaves = leaves.where(~_covers(leaves.middles_mm(), sheet, picture.camera))
        parts.append(_foliage(leaves, rows=7 if near else 4))
        parts.extend(_wood(tree))
        if count:
            labels: Ints = np.arange(first, first + count)
            sunny = sunny_sides(tree.fruits, stand.foot_mm, rng)
            variety = picture.shot.block.plan.variety
            seed = int(rng.integers(1 << 31))
            rows = 33 if near else 13
            parts.append(fruit_mesh(tree.fruits, labels, variety, sunny, seed, rows=rows))
        first += count
    if sheet is not None:
        parts.append(_cane(sheet))
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


def _covers(points: Floats, sheet: Sheet, camera: Camera) -> Bools:
    """Which of (N, 3) points lie before the sheet as the camera sees it, or touch it."""
    half = np.array(SHEET_MM) / 2.0
    corners = sheet.points(half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]))
    corners_px, points_px = camera.project(corners), camera.project(points)
    margin_px = 50.0
    inside = (points_px > corners_px.min(axis=0) - margin_px) & (
        points_px < corners_px.max(axis=0) + margin_px
    )
    behind = float(camera.seen_from(corners)[:, 2].max()) + 70.0
    return np.asarray(inside.all(axis=1) & (camera.seen_from(points)[:, 2] < behind))


def _cane(sheet: Sheet) -> Mesh:
    """The cane that the sheet is clipped to, just behind it."""
    back = np.cross(sheet.up, sheet.right)
    middle = sheet.middle_mm + back * 10.0
    top, bottom = middle + sheet.up * 210.0, middle - sheet.up * 190.0
    foot = np.array([bottom[0], -20.0, bottom[2]])
    path = np.stack([foot, bottom, middle, top])
    return tube(path, np.array([7.0, 6.0, 5.5, 5.0]), np.array([0.30, 0.24, 0.11]))

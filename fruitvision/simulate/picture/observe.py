"""From a placed scene and its id picture to the truth of the photo."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.camera import Camera, Floats, ellipsoid_shapes, outlines
from fruitvision.simulate.picture.marker import (
    MARKER_ID,
    MARKER_SIDE_MM,
    marker_corners_on_sheet_mm,
)
from fruitvision.simulate.picture.masks import (
    Ids,
    lone_sub_pixels,
    owners,
    run_length_masks,
    seen_sub_pixels,
)
from fruitvision.simulate.picture.references import References, Sheet
from fruitvision.simulate.picture.scene import Picture, Stand
from fruitvision.simulate.picture.tree import joined_fruits
from fruitvision.simulate.picture.truth import (
    BALL,
    FALLEN,
    HANGING,
    CameraTruth,
    FruitTruth,
    MarkerTruth,
    PhotoTruth,
    Place,
    Vector,
)

# Fruit of rows behind of which less than this is seen are left out. Our choice: half of a fruit of
# the next row at 1500 x 2000 px; a person who draws outlines would pass smaller ones over, and they
# would be most of the file.
SMALLEST_BEHIND_PX = 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Who:
    """What a label stands for."""

    fruit_id: str
    category: str
    tree: Place | None
    own_tree: bool
    row_behind: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sight:
    """All labels of a picture, in order: (N, ...) arrays as `FruitTruth` names them.

    `owned` : (H, W) label that each pixel belongs to.
    """

    diameters_mm: Floats
    centres_mm: Floats
    ellipses_px: Floats
    shares: Floats
    seen_px: Floats
    owned: Ids


def observe(
    picture: Picture, references: References, ids: Ids, *, taken_at: str, light: str
) -> PhotoTruth:
    """What is true about the photo that `picture.camera` takes.

    `ids` : id picture of that camera, see `masks`; labels as `Picture` counts them, then the balls.
    """
    shot, camera = picture.shot, picture.camera
    who = tuple(_all_labels(picture, references))
    sight = _look(picture, references, ids)
    masks = run_length_masks(sight.owned, len(who))
    found = [_fruit(who[number], sight, number, masks[number]) for number in range(len(who))]
    sheet = references.sheet
    return PhotoTruth(
        name=shot.name,
        width_px=camera.width_px,
        height_px=camera.height_px,
        tree=_place(shot.block.plan.block_id, shot.block.places[shot.tree].tolist()),
        face=shot.face,
        step=shot.step,
        taken_at=taken_at,
        light=light,
        camera=camera_truth(camera),
        marker=None if sheet is None else marker_truth(sheet, camera),
        balls=tuple(one for one in found if one.category == BALL),
        fruits=tuple(one for one in found if _counts(one, camera)),
        small_mask=_small_mask(sight.owned, found),
    )


def _small_mask(owned: Ids, found: list[FruitTruth]) -> str:
    """Mask of all fruit of rows behind that are too small to list."""
    small = [
        one.row_behind > 0 and one.visible_px < SMALLEST_BEHIND_PX and bool(one.mask)
        for one in found
    ]
    return run_length_masks(np.array([False, *small])[owned].astype(np.int32), 1)[0]


def _counts(fruit: FruitTruth, camera: Camera) -> bool:
    """This row: all whose outline reaches into the frame. Behind: what can be seen."""
    if fruit.category == BALL:
        return False
    if fruit.row_behind:
        return fruit.visible_px >= SMALLEST_BEHIND_PX
    x, y, width, height = fruit.full_box_px
    across = x < camera.width_px and x + width > 0.0
    return across and y < camera.height_px and y + height > 0.0


def camera_truth(camera: Camera) -> CameraTruth:
    """Lens and pose as OpenCV writes them."""
    first, second, third = (_vector(row, 4) for row in camera.matrix())
    right, down, forward = (_vector(row, 8) for row in camera.axes())
    return CameraTruth(
        matrix=(first, second, third),
        distortion=(camera.k1, camera.k2, 0.0, 0.0, 0.0),
        rotation=(right, down, forward),
        position_mm=_vector(camera.position_mm, 3),
    )


def marker_truth(sheet: Sheet, camera: Camera) -> MarkerTruth:
    """The printed square as the camera sees it."""
    middle = sheet.points(marker_corners_on_sheet_mm()).mean(axis=0)
    facing = np.cross(sheet.right, sheet.up)
    tilt = np.degrees(np.arccos(np.clip(-facing @ camera.axes()[2], -1.0, 1.0)))
    corners = sheet.corners_px(camera).tolist()
    return MarkerTruth(
        marker_id=MARKER_ID,
        side_mm=MARKER_SIDE_MM,
        corners_px=tuple((_rounded(x, 2), _rounded(y, 2)) for x, y in corners),
        depth_mm=_rounded(camera.seen_from(middle[None])[0, 2], 1),
        tilt_deg=_rounded(tilt, 1),
    )


def _all_labels(picture: Picture, references: References) -> Iterator[_Who]:
    """What each label of the picture stands for, in order."""
    block_id = picture.shot.block.plan.block_id
    for stand in picture.stands:
        yield from _of_stand(stand, stand.fruit_ids, HANGING, block_id)
    for stand in picture.stands:
        yield from _of_stand(stand, stand.fallen_ids, FALLEN, block_id)
    for number in range(1, len(references.balls) + 1):
        yield _Who(
            fruit_id=f"ball-{number}", category=BALL, tree=None, own_tree=False, row_behind=0
        )


def _of_stand(
    stand: Stand, fruit_ids: tuple[str, ...], category: str, block_id: str
) -> Iterator[_Who]:
    tree = None if stand.place is None else _place(block_id, stand.place)
    for fruit_id in fruit_ids:
        yield _Who(
            fruit_id=fruit_id,
            category=category,
            tree=tree,
            own_tree=tree is not None and stand.row_behind == 0 and stand.offset == 0,
            row_behind=stand.row_behind,
        )


def _look(picture: Picture, references: References, ids: Ids) -> _Sight:
    camera = picture.camera
    fruits = joined_fruits([picture.fruits(), picture.fallen()])
    balls = references.balls
    ball_mm = np.array([ball.diameter_mm for ball in balls])
    ball_turns = np.tile(np.eye(3), (len(balls), 1, 1))
    ball_centres = np.array([ball.centre_mm for ball in balls]).reshape(-1, 3)
    shapes = np.concatenate(
        [
            ellipsoid_shapes(fruits.turns, fruits.diameters_mm, fruits.heights_mm),
            ellipsoid_shapes(ball_turns, ball_mm, ball_mm),
        ]
    )
    centres = np.concatenate([fruits.centres_mm, ball_centres])
    ellipses = outlines(camera, centres, shapes)
    per_side = ids.shape[1] // camera.width_px
    seen = seen_sub_pixels(ids, len(centres))
    alone = lone_sub_pixels(ellipses, per_side)
    return _Sight(
        diameters_mm=np.concatenate([fruits.diameters_mm, ball_mm]),
        centres_mm=camera.seen_from(centres),
        ellipses_px=ellipses,
        shares=np.clip(seen / np.maximum(alone, 1), 0.0, 1.0),
        seen_px=seen / per_side**2,
        owned=owners(ids, per_side),
    )


def _fruit(who: _Who, sight: _Sight, number: int, mask: str) -> FruitTruth:
    ellipse = sight.ellipses_px[number]
    x, y, long_px, short_px = (_rounded(value, 2) for value in ellipse[:4])
    left, top, width, height = (_rounded(value, 1) for value in full_box_px(ellipse))
    return FruitTruth(
        fruit_id=who.fruit_id,
        category=who.category,
        tree=who.tree,
        own_tree=who.own_tree,
        row_behind=who.row_behind,
        diameter_mm=_rounded(sight.diameters_mm[number], 1),
        centre_mm=_vector(sight.centres_mm[number], 1),
        ellipse_px=(x, y, long_px, short_px, _rounded(ellipse[4], 1)),
        full_box_px=(left, top, width, height),
        visible_share=_rounded(sight.shares[number], 3),
        visible_px=_rounded(sight.seen_px[number], 2),
        mask=mask,
    )


def full_box_px(ellipse: Floats) -> Floats:
    """(4,) x, y, width and height of the box around an outline, from edges of pixels (COCO)."""
    x, y, long_px, short_px, angle_deg = ellipse
    along = np.radians(angle_deg)
    half_x = np.hypot(long_px * np.cos(along), short_px * np.sin(along)) / 2.0
    half_y = np.hypot(long_px * np.sin(along), short_px * np.cos(along)) / 2.0
    return np.array([x - half_x + 0.5, y - half_y + 0.5, 2.0 * half_x, 2.0 * half_y])


def _place(block_id: str, place: Iterable[int]) -> Place:
    row, position = place
    return block_id, row, position


def _vector(values: Iterable[float], digits: int) -> Vector:
    x, y, z = (_rounded(value, digits) for value in values)
    return x, y, z


def _rounded(value: float, digits: int) -> float:
    # Adding 0 turns -0.0 into 0.0.
    return round(float(value), digits) + 0.0

"""One photo from shutter to truth: place, render, develop, and write down what is where."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from fruitvision.simulate.picture.camera import Camera, Floats
from fruitvision.simulate.picture.light import choose_light
from fruitvision.simulate.picture.phone import develop, to_jpeg
from fruitvision.simulate.picture.references import References, Sheet, hang_references
from fruitvision.simulate.picture.render import Stage, labels_of, light_of, load_stage
from fruitvision.simulate.picture.scene import (
    Picture,
    compose,
    meshes,
    obstacles,
    rough_shares_of,
)
from fruitvision.simulate.picture.shot import Shot
from fruitvision.simulate.season.tables import Row, photo_name

# Fruit of rows behind that show less than this are left out of the truth. Our choice.
SMALLEST_SHARE_BEHIND = 0.2

PHOTO_COLUMNS: Row = (
    "photo",
    "fruit_id",
    "row",
    "position",
    "x_px",
    "y_px",
    "width_px",
    "height_px",
    "angle_deg",
    "diameter_mm",
    "visible_share",
    "on_this_row",
    "depth_mm",
)
MARKER_COLUMNS: Row = (
    "photo",
    "marker_id",
    "side_mm",
    "x1_px",
    "y1_px",
    "x2_px",
    "y2_px",
    "x3_px",
    "y3_px",
    "x4_px",
    "y4_px",
    "depth_mm",
    "tilt_deg",
    "focal_px",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exposure:
    """A finished photo: JPEG bytes, rows of `PHOTO_COLUMNS`, one row of `MARKER_COLUMNS`."""

    name: str
    jpeg: bytes
    fruit_rows: tuple[Row, ...]
    marker_row: Row


def shoot(shot: Shot, *, samples: int, shrink: int = 1) -> Exposure:
    """Make one photo. `shrink` 5 gives a fifth of the width, to look at the scene cheaply."""
    look = shot.look
    picture = compose(shot)
    references = references_of(shot)
    stage = load_stage(
        meshes(picture, references),
        references.sheet,
        _smaller(picture.camera, shrink),
        choose_light(look.light, shot.towards, shot.rng(6)),
    )
    shares = visible_shares(picture, stage)
    light = light_of(stage, samples=samples)
    pixels = develop(look.phone, light, shot.rng(4))
    return Exposure(
        name=photo_name(shot.block, shot.tree, shot.face),
        jpeg=to_jpeg(
            pixels, _taken_at(shot), look.camera.focal_35mm, quality=look.phone.jpeg_quality
        ),
        fruit_rows=tuple(_fruit_rows(picture, shares)),
        marker_row=_marker_row(picture, references.sheet),
    )


def references_of(shot: Shot) -> References:
    """Sheet and balls hang where the scout put them before the first photo of this face."""
    picture = compose(replace(shot, step=0))
    depth = _visible_depth_mm(picture, rough_shares_of(picture))
    rngs = shot.rng(2), shot.rng(8)
    return hang_references(shot.look.references, picture.camera, obstacles(picture), depth, rngs)


def visible_shares(picture: Picture, stage: Stage) -> Floats:
    """(N,) visible part of each fruit's full outline, 0 to 1."""
    labels = labels_of(stage, per_side=2)
    ellipses = replace_camera(picture, stage.camera).outlines()
    area_px = np.pi / 4.0 * ellipses[:, 2] * ellipses[:, 3]
    hits = np.bincount(labels.ravel(), minlength=len(ellipses) + 1)[1 : len(ellipses) + 1]
    return np.clip(hits / 2**2 / area_px, 0.0, 1.0)


def replace_camera(picture: Picture, camera: Camera) -> Picture:
    """The same picture through another camera."""
    return replace(picture, camera=camera)


def _smaller(camera: Camera, shrink: int) -> Camera:
    return replace(
        camera,
        focal_px=camera.focal_px / shrink,
        width_px=camera.width_px // shrink,
        height_px=camera.height_px // shrink,
    )


def _visible_depth_mm(picture: Picture, shares: Floats) -> float:
    """Mean depth of the fruit that are seen on the photographed tree."""
    own = _own_fruit(picture)
    weight = np.where(own, shares, 0.0)
    if weight.sum() <= 0.0:
        return picture.shot.look.camera.distance_mm
    depth = picture.camera.seen_from(picture.fruits().centres_mm)[:, 2]
    return float((weight * depth).sum() / weight.sum())


def _own_fruit(picture: Picture) -> NDArray[np.bool_]:
    place = tuple(picture.shot.block.places[picture.shot.tree].tolist())
    return np.concatenate(
        [
            np.full(len(stand.fruit_ids), stand.row_behind == 0 and stand.place == place)
            for stand in picture.stands
        ]
    )


def _fruit_rows(picture: Picture, shares: Floats) -> list[Row]:
    camera, fruits = picture.camera, picture.fruits()
    name = photo_name(picture.shot.block, picture.shot.tree, picture.shot.face)
    ellipses = picture.outlines()
    depths = camera.seen_from(fruits.centres_mm)[:, 2]
    found: list[Row] = []
    number = 0
    for stand in picture.stands:
        row, position = stand.place if stand.place is not None else ("", "")
        here = stand.row_behind == 0
        for fruit_id in stand.fruit_ids:
            ellipse, share = ellipses[number], shares[number]
            if share >= SMALLEST_SHARE_BEHIND or (here and _in_frame(ellipse, camera)):
                x, y, width, height, angle = ellipse
                found.append(
                    (
                        name,
                        fruit_id,
                        row,
                        position,
                        *(f"{value:.2f}" for value in (x, y, width, height)),
                        f"{angle:.1f}",
                        f"{fruits.diameters_mm[number]:.1f}",
                        f"{share:.3f}",
                        str(here).lower(),
                        f"{depths[number]:.0f}",
                    )
                )
            number += 1
    return found


def _in_frame(ellipse: Floats, camera: Camera) -> bool:
    x, y, reach = ellipse[0], ellipse[1], ellipse[2] / 2.0
    inside_x = -reach < x < camera.width_px - 1 + reach
    return bool(inside_x and -reach < y < camera.height_px - 1 + reach)


def _marker_row(picture: Picture, sheet: Sheet | None) -> Row:
    from fruitvision.simulate.picture.marker import (
        MARKER_ID,
        MARKER_SIDE_MM,
        marker_corners_on_sheet_mm,
    )

    camera = picture.camera
    if sheet is None:
        return ()
    middle = sheet.points(marker_corners_on_sheet_mm()).mean(axis=0)
    facing = np.cross(sheet.right, sheet.up)
    # Tilt against the picture plane, as a pinhole camera with this axis sees it.
    tilt = np.degrees(np.arccos(np.clip(-facing @ camera.axes()[2], -1.0, 1.0)))
    return (
        photo_name(picture.shot.block, picture.shot.tree, picture.shot.face),
        MARKER_ID,
        f"{MARKER_SIDE_MM:.0f}",
        *(f"{value:.2f}" for value in sheet.corners_px(camera).ravel()),
        f"{camera.seen_from(middle[None])[0, 2]:.0f}",
        f"{tilt:.1f}",
        f"{camera.focal_px:.1f}",
    )


def _taken_at(shot: Shot) -> datetime:
    """Face A in the morning, face B on the way back, two minutes from tree to tree."""
    start = time(9, 20) if shot.face == "A" else time(14, 10)
    turn = shot.block.photographed.index(shot.tree)
    step = turn if shot.face == "A" else len(shot.block.photographed) - turn
    seconds = 130 * step + int(shot.rng(5).integers(0, 40))
    return datetime.combine(shot.block.plan.walked_on, start) + timedelta(seconds=seconds)

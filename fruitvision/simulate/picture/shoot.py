"""One photo from shutter to truth: place, render, develop, and write down what is where."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

import numpy as np

from fruitvision.simulate.picture.camera import Camera, Floats
from fruitvision.simulate.picture.light import choose_light
from fruitvision.simulate.picture.observe import observe
from fruitvision.simulate.picture.phone import develop, to_jpeg
from fruitvision.simulate.picture.references import References, hang_references
from fruitvision.simulate.picture.render import labels_of, light_of, load_stage
from fruitvision.simulate.picture.scene import (
    Picture,
    camera_of,
    compose,
    meshes,
    obstacles,
    rough_shares_of,
)
from fruitvision.simulate.picture.shot import Shot
from fruitvision.simulate.picture.truth import PhotoTruth

# Lines of sight along a side of a pixel that ask which fruit is there. Our choice: the share of a
# fruit 20 px wide comes out within 0.01.
SUB_PIXELS_PER_SIDE = 2
# When a walk along each face begins, by day and by night. Our choice.
STARTS = {"A": time(9, 20), "B": time(14, 10)}
NIGHT_STARTS = {"A": time(21, 10), "B": time(22, 20)}
# Seconds from one tree to the next, and from one step along the row to the next. Our choice.
TREE_SECONDS, STEP_SECONDS = 130, 9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exposure:
    """A finished photo: its file's name, JPEG bytes, and what is true about it."""

    name: str
    jpeg: bytes
    truth: PhotoTruth


def shoot(shot: Shot, *, samples: int, shrink: int = 1) -> Exposure:
    """Make one photo with its truth.

    `samples` : rays of light per px; `shrink` 5 gives a fifth of the width, to look at the scene
    cheaply; the truth is that of the small photo.
    """
    look = shot.look
    first = compose(replace(shot, step=0))
    references = references_in(first)
    picture = replace(first, shot=shot, camera=camera_of(shot, references.sheet))
    everything = meshes(picture, references)
    picture = replace(picture, camera=_smaller(picture.camera, shrink))
    light = choose_light(look.light, shot.towards, shot.rng(6))
    taken_at = _taken_at(shot)
    stage = load_stage(everything, references.sheet, picture.camera, light)
    truth = observe(
        picture,
        references,
        labels_of(stage, per_side=SUB_PIXELS_PER_SIDE),
        taken_at=taken_at.isoformat(),
        light=light.words(shot.towards),
    )
    # Each step is another photo, with noise of its own.
    aside = 10 * shot.step
    seed = int(shot.rng(7 + aside).integers(1 << 30))
    seen = light_of(stage, samples=samples, seed=seed)
    pixels = develop(look.phone, seen, shot.rng(4 + aside))
    jpeg = to_jpeg(
        pixels,
        taken_at,
        look.camera.focal_35mm,
        quality=look.phone.jpeg_quality,
        subsampling=look.phone.jpeg_subsampling,
    )
    return Exposure(name=shot.name, jpeg=jpeg, truth=truth)


def references_in(picture: Picture) -> References:
    """Sheet and balls hang where the scout put them before the first photo of a face."""
    shot = picture.shot
    depth = _visible_depth_mm(picture, rough_shares_of(picture))
    rngs = shot.rng(2), shot.rng(8)
    return hang_references(shot.look.references, picture.camera, obstacles(picture), depth, rngs)


def _smaller(camera: Camera, shrink: int) -> Camera:
    return replace(
        camera,
        focal_px=camera.focal_px / shrink,
        width_px=camera.width_px // shrink,
        height_px=camera.height_px // shrink,
    )


def _visible_depth_mm(picture: Picture, shares: Floats) -> float:
    """Mean depth of the fruit that are seen on the photographed tree."""
    own = [
        np.full(len(stand.fruit_ids), stand.row_behind == 0 and stand.offset == 0)
        for stand in picture.stands
    ]
    weight = np.where(np.concatenate(own), shares, 0.0)
    if weight.sum() <= 0.0:
        return picture.shot.look.camera.distance_mm
    depth = picture.camera.seen_from(picture.fruits().centres_mm)[:, 2]
    return float((weight * depth).sum() / weight.sum())


def _taken_at(shot: Shot) -> datetime:
    """Face A in the morning, face B on the way back, two minutes from tree to tree."""
    starts = NIGHT_STARTS if shot.look.light.night else STARTS
    turn = shot.block.photographed.index(shot.tree)
    turn = turn if shot.face == "A" else len(shot.block.photographed) - turn
    seconds = TREE_SECONDS * turn + STEP_SECONDS * shot.step + int(shot.rng(5).integers(0, 40))
    start = datetime.combine(shot.block.plan.walked_on, starts[shot.face])
    return start + timedelta(seconds=seconds)

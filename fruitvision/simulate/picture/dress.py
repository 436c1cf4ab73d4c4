"""Trees as triangles, with as much detail as the camera can see. Numpy only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.simulate.picture.camera import Bools, Camera, Floats
from fruitvision.simulate.picture.foliage import leaf_mesh
from fruitvision.simulate.picture.meshes import Ints, Mesh, tubes
from fruitvision.simulate.picture.parts import Fruits, Leaves, Tree
from fruitvision.simulate.picture.skin import (
    Skin,
    SkinDials,
    looks_of,
    painted_fruit,
    sunny_sides,
)

# Fruit of so many px or more get so many rings. Our choice: outlines stay within 0.1 px of the
# ellipsoid, and spots of 3 mm show on near fruit.
RINGS = ((0.0, 9), (12.0, 13), (22.0, 21), (36.0, 39), (90.0, 61))
# Out of view, but their shadows are not.
RINGS_UNSEEN = 9
BARK = np.array([0.265, 0.215, 0.165])
# Lichen and flaking on the trunk; green bark of this summer's wood; stalks.
LICHEN, YOUNG_BARK = np.array([0.36, 0.37, 0.30]), np.array([0.21, 0.155, 0.09])
STALK = np.array([0.20, 0.20, 0.08])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Views:
    """The camera of a photo, and that of the first photo of its face.

    What is drawn how finely follows the first one, so that nothing changes its look from one step
    along the row to the next; what is in view follows the photo's own.
    """

    camera: Camera
    first: Camera


@dataclass(frozen=True, slots=True, kw_only=True)
class Paint:
    """What all fruit of a picture have in common."""

    skin: Skin
    dials: SkinDials


def leaf_meshes(leaves: Leaves, camera: Camera, *, near: bool, curl: float) -> list[Mesh]:
    """Leaves in view in full detail, others of the near row plain, rows behind coarse."""
    eye = np.array(camera.position_mm)
    if not near:
        return leaf_mesh(leaves, detail=0, eye_mm=eye, curl=curl)
    seen = in_view(camera, leaves.middles_mm(), margin_px=120.0)
    return leaf_mesh(leaves.where(seen), detail=2, eye_mm=eye, curl=curl) + leaf_mesh(
        leaves.where(~seen), detail=0, eye_mm=eye, curl=curl
    )


def in_view(camera: Camera, points_mm: Floats, *, margin_px: float) -> Bools:
    """Which of (N, 3) points the picture shows, or nearly."""
    seen = camera.seen_from(points_mm)
    depth = np.maximum(seen[:, 2], 1.0)
    aside = np.abs(seen[:, :2]) / depth[:, None] * camera.focal_px
    half = np.array([camera.width_px, camera.height_px]) / 2.0 + margin_px
    return np.asarray((seen[:, 2] > 100.0) & (aside < half).all(axis=1))


def fruit_meshes(
    fruits: Fruits, labels: Ints, paint: Paint, foot_mm: Floats, views: Views, seed: list[int]
) -> list[Mesh]:
    """Fruit of one tree; how they look depends on `seed` alone, their detail on the views."""
    rng = np.random.default_rng(seed)
    sunny = sunny_sides(fruits, foot_mm, rng)
    looks = looks_of(fruits, paint.skin, sunny, paint.dials, rng)
    rings = _rings(fruits, views)
    found = []
    for rows in np.unique(rings).tolist():
        here = np.flatnonzero(rings == rows)
        found.append(
            painted_fruit(
                fruits.where(here),
                labels[here],
                paint.skin,
                looks.where(here),
                paint.dials,
                rows=rows,
            )
        )
    return found


def _rings(fruits: Fruits, views: Views) -> Ints:
    depth = np.maximum(views.first.seen_from(fruits.centres_mm)[:, 2], 1.0)
    size_px = fruits.diameters_mm / depth * views.first.focal_px
    rings = np.full(len(depth), RINGS[0][1])
    for least_px, rows in RINGS:
        rings[size_px >= least_px] = rows
    seen = in_view(views.camera, fruits.centres_mm, margin_px=150.0)
    return np.where(seen, rings, RINGS_UNSEEN).astype(np.int64)


def wood_meshes(
    tree: Tree, thickness_mm: tuple[float, float], *, near: bool, seed: list[int]
) -> list[Mesh]:
    """Trunk and limbs; twigs, spurs and stalks where they can be seen.

    `thickness_mm` : diameters of trunk and limbs at their foot.
    """
    rng = np.random.default_rng(seed)
    trunk_mm, limb_mm = thickness_mm
    limbs = tree.limbs_mm
    points = limbs.shape[1]
    reach = np.linalg.norm(limbs[:, -1] - limbs[:, 0], axis=1)
    # Longer limbs are thicker; all end as thin as a twig.
    foot = limb_mm / 2.0 * np.clip(reach / np.median(reach), 0.5, 1.5)
    share = np.linspace(0.0, 1.0, points) ** 0.8
    radii = foot[:, None] * (1.0 - share) + 2.6 * share
    tone = rng.uniform(0.75, 1.2, (len(limbs), 1, 1)) * BARK
    parts = [
        _trunk(tree, trunk_mm, rng),
        tubes(limbs, radii, tone * np.ones((1, points, 1)), sides=8 if near else 5),
    ]
    if near:
        parts += _thin_wood(tree, rng)
    return parts


def _trunk(tree: Tree, trunk_mm: float, rng: np.random.Generator) -> Mesh:
    path = np.stack(
        [
            np.interp(np.linspace(0.0, 1.0, 60), np.linspace(0.0, 1.0, len(tree.trunk_mm)), axis)
            for axis in tree.trunk_mm.T
        ],
        axis=1,
    )
    # Wider at the foot, and uneven where limbs have been cut.
    radii = trunk_mm / 2.0 * np.linspace(1.0, 0.25, 60) * (1.0 + 0.09 * rng.normal(size=60))
    radii[:4] *= np.array([1.35, 1.2, 1.1, 1.05])
    mesh = tubes(path[None], radii[None], BARK, sides=16)
    lichen = np.clip(rng.normal(0.25, 0.25, (len(mesh.points_mm), 1)), 0.0, 0.9)
    tone = rng.uniform(0.8, 1.15) * rng.uniform(0.8, 1.15, (len(mesh.points_mm), 1))
    return Mesh(
        material=mesh.material,
        points_mm=mesh.points_mm,
        faces=mesh.faces,
        colours=((1.0 - lichen) * BARK + lichen * LICHEN) * tone,
        normals=mesh.normals,
    )


def _thin_wood(tree: Tree, rng: np.random.Generator) -> list[Mesh]:
    fruits, twigs = tree.fruits, tree.twigs_mm
    thick = np.linspace(2.8, 1.1, twigs.shape[1])[None] * rng.uniform(0.8, 1.3, (len(twigs), 1))
    parts = [tubes(twigs, thick, YOUNG_BARK, sides=5)] if len(twigs) else []
    if not len(fruits.centres_mm):
        return parts
    tops = fruits.centres_mm + fruits.turns[:, :, 1] * (0.30 * fruits.heights_mm[:, None])
    bend = (tops + fruits.spots_mm) / 2.0 + np.array([0.0, 5.0, 0.0])
    stalks = np.stack([tops, bend, fruits.spots_mm], axis=1)
    # The stalk is thin; the spur it stands on is a knob.
    parts.append(tubes(stalks, np.array([1.3, 1.5, 3.6]), STALK, sides=5))
    return parts

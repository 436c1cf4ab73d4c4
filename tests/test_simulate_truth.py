"""Truth of a photo against geometry worked out another way, and against what is rendered."""

from __future__ import annotations

import csv
import json
from collections import defaultdict
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from fruitvision.errors import SimulationError
from fruitvision.simulate.picture.balls import Ball
from fruitvision.simulate.picture.camera import (
    CameraDials,
    Floats,
    ellipsoid_shapes,
    outlines,
    turns_about,
)
from fruitvision.simulate.picture.ground import GroundDials
from fruitvision.simulate.picture.masks import (
    lone_sub_pixels,
    mask_box,
    mask_pixels,
    owners,
    run_length_masks,
    seen_sub_pixels,
)
from fruitvision.simulate.picture.meshes import Mesh
from fruitvision.simulate.picture.observe import SMALLEST_BEHIND_PX, camera_truth, observe
from fruitvision.simulate.picture.parts import Fruits, Leaves, Tree, TreeDials, no_fruits
from fruitvision.simulate.picture.references import References
from fruitvision.simulate.picture.render import (
    choose_variant,
    labels_at,
    labels_of,
    load_stage,
)
from fruitvision.simulate.picture.scene import Picture, Stand, camera_of, compose, meshes
from fruitvision.simulate.picture.shoot import references_in, shoot
from fruitvision.simulate.picture.shot import Look, Shot
from fruitvision.simulate.picture.truth import FALLEN, HANGING, PhotoTruth
from fruitvision.simulate.picture.truth_files import (
    BALL_FILE,
    COCO_FILE,
    MARKER_COLUMNS,
    MARKER_FILE,
    PHOTO_COLUMNS,
    PHOTO_FILE,
    write_truth,
)
from fruitvision.simulate.season.draw import draw_season

coco_library = pytest.importorskip("faster_coco_eval")

SAMPLES = Path(__file__).parent.parent / "samples"
BLOCK = draw_season(2026)[0]
SHOT = Shot(block=BLOCK, tree=BLOCK.photographed[0], face="A", seed=2026)
# Quickly made: few leaves and weeds.
BARE = Look(tree=TreeDials(leaves=150), ground=GroundDials(weeds=0, fallen_per_tree=3.0))


@pytest.fixture(scope="module")
def hung() -> tuple[Picture, References]:
    """A row with few leaves, and what the scout hung in it."""
    picture = compose(replace(SHOT, look=BARE))
    return picture, references_in(picture)


@pytest.fixture
def renderer() -> None:
    pytest.importorskip("mitsuba")
    choose_variant("scalar_rgb")


def phone(width_px: int = 1500, *, k1: float = 0.0, k2: float = 0.0) -> Shot:
    """A photo with a steady hand: 26 mm lens, upright, 2.3 m from the row, looking along -z."""
    dials = CameraDials(
        width_px=width_px,
        height_px=width_px * 4 // 3,
        k1=k1,
        k2=k2,
        place_sd_mm=(0.0, 0.0, 0.0),
        turn_sd_deg=(0.0, 0.0, 0.0),
    )
    return replace(SHOT, look=Look(camera=dials))


def at(shot: Shot, x_px: float, y_px: float, depth_mm: float) -> list[float]:
    """World point that is drawn at a pixel."""
    camera = camera_of(shot)
    right, down = camera.undistort(np.array([[x_px, y_px]]))[0]
    place = np.array(camera.position_mm) + depth_mm * np.array([right, down, 1.0]) @ camera.axes()
    return list(place.tolist())


def some_fruit(
    centres_mm: list[list[float]],
    diameters_mm: list[float],
    *,
    tilt_deg: float = 0.0,
    roundness: float = 1.0,
) -> Fruits:
    count = len(centres_mm)
    centres, diameters = np.array(centres_mm).reshape(-1, 3), np.array(diameters_mm, dtype=float)
    axes = np.tile([1.0, 0.0, 0.4], (count, 1))
    return Fruits(
        centres_mm=centres,
        spots_mm=centres + np.array([0.0, 60.0, 0.0]),
        turns=turns_about(axes, np.full(count, np.radians(tilt_deg))),
        diameters_mm=diameters,
        heights_mm=roundness * diameters,
    )


def stand_of(fruits: Fruits, ids: tuple[str, ...], **changes: Any) -> Stand:
    """A tree that is nothing but its fruit; its wood stands far behind the camera."""
    empty = np.zeros((0, 3))
    wood = np.column_stack([np.zeros(8), np.linspace(0.0, 900.0, 8), np.full(8, 50000.0)])
    leaves = Leaves(
        bases_mm=empty,
        frames=np.zeros((0, 3, 3)),
        lengths_mm=np.zeros(0),
        kinds=np.zeros(0, dtype=np.int64),
        colours=empty,
        rims=empty,
    )
    tree = Tree(
        trunk_mm=wood,
        limbs_mm=wood[None],
        twigs_mm=np.zeros((0, 2, 3)),
        fruits=fruits,
        leaves=leaves,
    )
    stand = Stand(
        tree=tree,
        foot_mm=np.zeros(3),
        row_behind=0,
        offset=0,
        place=(1, 12),
        fruit_ids=ids,
        fallen=no_fruits(),
        fallen_ids=(),
    )
    return replace(stand, **changes)


def picture_of(shot: Shot, *stands: Stand) -> Picture:
    return Picture(shot=shot, stands=stands, camera=camera_of(shot), scenery=())


def fruit_triangles(picture: Picture) -> list[Mesh]:
    """The fruit without stalks and wood."""
    parts = meshes(picture, References(sheet=None))
    return [part for part in parts if part.labels is not None]


def board_over(shot: Shot, depth_mm: float) -> Mesh:
    """A flat leaf that covers all to the right of the picture's middle."""
    camera = camera_of(shot)
    middle_x, middle_y = (camera.width_px - 1) / 2.0, (camera.height_px - 1) / 2.0
    sides = [(middle_x, -50.0), (999.0, -50.0), (999.0, 2.0 * middle_y), (middle_x, 2.0 * middle_y)]
    corners = [at(shot, *side, depth_mm) for side in sides]
    return Mesh(
        material="leaf",
        points_mm=np.array(corners),
        faces=np.array([[0, 1, 2], [0, 2, 3]]),
        colours=np.full((4, 3), 0.1),
    )


def witnessed(picture: Picture, *more: Mesh, per_side: int = 2) -> PhotoTruth:
    """Truth of a picture of fruit and `more`."""
    stage = load_stage([*fruit_triangles(picture), *more], None, picture.camera)
    ids = labels_of(stage, per_side=per_side)
    return told(picture, ids)


def told(
    picture: Picture, ids: NDArray[np.int32], references: References | None = None
) -> PhotoTruth:
    references = References(sheet=None) if references is None else references
    return observe(picture, references, ids, taken_at="2026-08-12T09:20:00", light="white sky")


def unseen(picture: Picture) -> NDArray[np.int32]:
    """An id picture on which nothing is."""
    return np.zeros((picture.camera.height_px, picture.camera.width_px), dtype=np.int32)


# ---------------------------------------------------------------- outlines


def sub_pixels_around(ellipse: Floats, per_side: int) -> Floats:
    """(N, 2) middles of sub-pixels in a square around an outline."""
    reach = np.arange(-np.ceil(ellipse[2] / 2.0) - 2.0, np.ceil(ellipse[2] / 2.0) + 2.0)
    steps = (reach[:, None] + (np.arange(per_side) + 0.5) / per_side).ravel() - 0.5
    x, y = np.meshgrid(np.round(ellipse[0]) + steps, np.round(ellipse[1]) + steps)
    return np.column_stack([x.ravel(), y.ravel()])


def distances_to(ellipse: Floats, places: Floats) -> Floats:
    """(N,) px outwards from the ellipse, by its value over its slope; good near the ellipse."""
    along = np.radians(ellipse[4])
    away = places - ellipse[:2]
    u = away @ np.array([np.cos(along), np.sin(along)])
    v = away @ np.array([-np.sin(along), np.cos(along)])
    a, b = ellipse[2:4] / 2.0
    slope = 2.0 * np.hypot(u / a**2, v / b**2)
    return np.asarray(((u / a) ** 2 + (v / b) ** 2 - 1.0) / np.maximum(slope, 1e-9))


@pytest.mark.parametrize("k1", [0.0, 0.03, -0.03], ids=["pinhole", "pincushion", "barrel"])
@pytest.mark.parametrize(
    ("diameter_mm", "tilt_deg", "place_px"),
    [
        (20.0, 0.0, (749.0, 1000.0)),
        (20.0, -35.0, (1470.0, 1970.0)),
        (48.0, 20.0, (60.0, 1900.0)),
        (70.0, 0.0, (749.3, 1000.4)),
        (70.0, 90.0, (749.0, 1000.0)),
        (95.0, 0.0, (749.0, 1000.0)),
        (95.0, -35.0, (1450.0, 1950.0)),
    ],
)
@pytest.mark.usefixtures("renderer")
def test_the_rendered_outline_is_the_ellipse_of_the_truth_within_half_a_pixel(
    k1: float, diameter_mm: float, tilt_deg: float, place_px: tuple[float, float]
) -> None:
    shot = phone(k1=k1)
    centre = at(shot, *place_px, 2200.0)
    fruits = some_fruit([centre], [diameter_mm], tilt_deg=tilt_deg, roundness=0.895)
    picture = picture_of(shot, stand_of(fruits, ("one",)))
    ellipse = picture.outlines()[0]
    per_side = 3
    places = sub_pixels_around(ellipse, per_side)
    stage = load_stage(fruit_triangles(picture), None, picture.camera)
    rendered = labels_at(stage, places) == 1
    from_outline = distances_to(ellipse, places)
    wrong = rendered != (from_outline <= 0.0)
    assert np.abs(from_outline[wrong]).max(initial=0.0) < 0.5
    # Area that is wrong, spread along the outline.
    around_px = np.pi * (ellipse[2] + ellipse[3]) / 2.0
    assert wrong.sum() / per_side**2 / around_px < 0.1


@pytest.mark.usefixtures("renderer")
def test_a_fruit_alone_covers_the_same_sub_pixels_by_rays_by_render_and_in_the_share() -> None:
    shot = phone(k1=0.03)
    fruits = some_fruit([at(shot, 1400.2, 300.7, 2100.0)], [75.0], tilt_deg=30.0, roundness=0.9)
    picture = picture_of(shot, stand_of(fruits, ("one",)))
    camera = picture.camera
    shapes = ellipsoid_shapes(fruits.turns, fruits.diameters_mm, fruits.heights_mm)
    ellipse = outlines(camera, fruits.centres_mm, shapes)[0]
    places = sub_pixels_around(ellipse, 2)
    # A ray t d from the camera meets (x - c)' S^-1 (x - c) = 1 if the equation in t has a solution.
    rays = np.column_stack([camera.undistort(places), np.ones(len(places))])
    inverse = np.linalg.inv(camera.axes() @ shapes[0] @ camera.axes().T)
    centre = camera.seen_from(fruits.centres_mm)[0]
    squares = np.einsum("ni,ij,nj->n", rays, inverse, rays)
    meets = (rays @ inverse @ centre) ** 2 >= squares * (centre @ inverse @ centre - 1.0)
    rendered = labels_at(load_stage(fruit_triangles(picture), None, camera), places) == 1
    counted = int(lone_sub_pixels(ellipse[None], 2)[0])
    assert counted == pytest.approx(meets.sum(), rel=0.001)
    assert counted == pytest.approx(rendered.sum(), rel=0.004)


# ---------------------------------------------------------------- visible share


@pytest.mark.usefixtures("renderer")
def test_a_board_over_half_a_fruit_leaves_a_share_of_one_half() -> None:
    shot = phone(150)
    fruits = some_fruit([at(shot, 74.5, 99.5, 600.0)], [90.0], roundness=0.9)
    picture = picture_of(shot, stand_of(fruits, ("G1-12-1",)))
    whole = witnessed(picture).fruits[0]
    half = witnessed(picture, board_over(shot, 400.0)).fruits[0]
    # A board behind the fruit hides nothing.
    behind = witnessed(picture, board_over(shot, 800.0)).fruits[0]
    assert whole.visible_share > 0.98
    assert half.visible_share == pytest.approx(0.5, abs=0.02)
    assert behind == whole
    assert half.ellipse_px == whole.ellipse_px


@pytest.mark.usefixtures("renderer")
def test_a_fruit_behind_another_shows_the_rest_of_its_disc() -> None:
    shot = phone(150)
    places = [at(shot, 70.5, 99.5, 600.0), at(shot, 78.5, 99.5, 700.0)]
    fruits = some_fruit(places, [60.0, 70.0])
    picture = picture_of(shot, stand_of(fruits, ("near", "far")))
    near, far = witnessed(picture, per_side=3).fruits
    # Both are 7.51 px in radius (150.2 px x 30 / 600), with 8 px between their middles. Common area
    # of two equal circles: 2 r² acos(d / 2r) - d / 2 sqrt(4 r² - d²).
    radius, apart = 7.512, 8.0
    common = 2.0 * radius**2 * np.arccos(apart / 2.0 / radius)
    common -= apart / 2.0 * np.sqrt(4.0 * radius**2 - apart**2)
    assert near.visible_share > 0.98
    assert far.visible_share == pytest.approx(1.0 - common / (np.pi * radius**2), abs=0.02)


@pytest.mark.usefixtures("renderer")
def test_what_lies_outside_the_frame_counts_as_not_visible() -> None:
    shot = phone(150)
    places = [at(shot, -0.5, 100.0, 600.0), at(shot, 80.0, 199.5, 600.0)]
    picture = picture_of(shot, stand_of(some_fruit(places, [90.0, 60.0]), ("left", "low")))
    left, low = witnessed(picture).fruits
    # Off the axis an outline grows outwards, so a little more than half lies outside.
    assert 0.46 < left.visible_share < 0.51
    assert 0.46 < low.visible_share < 0.51
    assert mask_box(left.mask, 200, 150)[0][0] == 0
    assert left.full_box_px[0] == pytest.approx(-left.full_box_px[2] / 2.0, abs=1.0)


def test_fruit_out_of_the_frame_are_left_out_and_hidden_ones_of_this_row_are_kept() -> None:
    shot = phone(150)
    fruits = some_fruit(
        [
            at(shot, 75.0, 100.0, 600.0),
            at(shot, -6.0, 100.0, 600.0),
            at(shot, -14.0, 100.0, 600.0),
            at(shot, 75.0, 212.0, 600.0),
        ],
        [60.0] * 4,
    )
    picture = picture_of(shot, stand_of(fruits, ("inside", "rim", "outside", "below")))
    truth = told(picture, unseen(picture))
    assert [fruit.fruit_id for fruit in truth.fruits] == ["inside", "rim"]
    assert [fruit.visible_share for fruit in truth.fruits] == [0.0, 0.0]
    assert [fruit.mask for fruit in truth.fruits] == ["", ""]


def test_fruit_behind_are_listed_from_the_smallest_area_and_say_whose_they_are() -> None:
    shot = phone(150)
    place = at(shot, 75.0, 100.0, 600.0)
    own = stand_of(some_fruit([place], [60.0]), ("own",))
    fallen = some_fruit([at(shot, 75.0, 190.0, 600.0)], [55.0])
    near = stand_of(
        some_fruit([place], [60.0]),
        ("near",),
        offset=1,
        place=(1, 13),
        fallen=fallen,
        fallen_ids=("fell",),
    )
    far = stand_of(
        some_fruit([place, place], [60.0, 60.0]), ("large", "small"), row_behind=2, place=None
    )
    picture = picture_of(shot, own, near, far)
    ids = unseen(picture)
    least = int(SMALLEST_BEHIND_PX)
    ids[50, 10:20] = 1
    ids[60, 10 : 10 + least] = 3
    ids[70, 10 : 10 + least - 1] = 4
    ids[80, 30] = 5
    found = {fruit.fruit_id: fruit for fruit in told(picture, ids).fruits}
    assert list(found) == ["own", "near", "large", "fell"]
    small = mask_pixels(told(picture, ids).small_mask, 200, 150)
    assert np.array_equal(small, ids == 4)
    assert [one.visible_px for one in found.values()] == [10.0, 0.0, float(least), 1.0]
    assert [one.category for one in found.values()] == [HANGING, HANGING, HANGING, FALLEN]
    assert [one.row_behind for one in found.values()] == [0, 0, 2, 0]
    assert [one.own_tree for one in found.values()] == [True, False, False, False]
    block = BLOCK.plan.block_id
    assert [one.tree for one in found.values()] == [
        (block, 1, 12),
        (block, 1, 13),
        None,
        (block, 1, 13),
    ]
    assert found["own"].centre_mm[2] == 600.0


# ---------------------------------------------------------------- masks


def test_a_pixel_belongs_to_the_fruit_that_holds_half_of_it() -> None:
    ids = np.array(
        [
            [1, 1, 2, 0, 3, 2, 0, 0],
            [0, 0, 0, 0, 2, 3, 7, 7],
        ],
        dtype=np.int32,
    )
    # Half fruit 1; a quarter fruit 2; halves of 2 and 3: the lower; half fruit 7.
    assert owners(ids, 2).tolist() == [[1, 0, 2, 7]]
    assert owners(ids[:, :2], 1).tolist() == ids[:, :2].tolist()
    assert seen_sub_pixels(ids, 7).tolist() == [2, 3, 2, 0, 0, 0, 2]


def test_masks_decode_to_the_pixels_that_each_fruit_owns() -> None:
    owned = np.random.default_rng(5).integers(0, 4, (23, 17)).astype(np.int32)
    owned[0, 0], owned[-1, -1] = 1, 2
    masks = run_length_masks(owned, 4)
    decode = coco_library.mask.decode
    for label, counts in enumerate(masks[:3], start=1):
        found = decode({"size": [23, 17], "counts": counts})
        assert np.array_equal(found == 1, owned == label)
        assert np.array_equal(mask_pixels(counts, 23, 17), owned == label)
        columns, rows = np.nonzero((owned == label).T)
        box, area = mask_box(counts, 23, 17)
        width, height = np.ptp(columns) + 1, np.ptp(rows) + 1
        assert box == [columns.min(), rows.min(), width, height]
        assert area == (owned == label).sum()
    assert masks[3] == ""
    assert not mask_pixels("", 23, 17).any()


# ---------------------------------------------------------------- camera


def matrices(truth: PhotoTruth) -> tuple[Floats, Floats, Floats, Floats]:
    camera = truth.camera
    return (
        np.array(camera.matrix),
        np.array(camera.distortion),
        np.array(camera.rotation),
        np.array(camera.position_mm),
    )


@pytest.mark.parametrize("face", ["A", "B"])
def test_opencv_projects_with_the_written_matrices_to_where_the_camera_does(face: str) -> None:
    look = Look(camera=replace(Look().camera, k1=0.03, k2=-0.01))
    camera = camera_of(replace(SHOT, face=face, look=look))
    truth = camera_truth(camera)
    rotation, position = np.array(truth.rotation), np.array(truth.position_mm)
    points = np.random.default_rng(3).uniform((-800, 400, -600), (800, 2400, 600), (200, 3))
    found, _ = cv2.projectPoints(
        points,
        cv2.Rodrigues(rotation)[0],
        -rotation @ position,
        np.array(truth.matrix),
        np.array(truth.distortion),
    )
    assert np.abs(found[:, 0] - camera.project(points)).max() < 0.01


def axis_of_cone(ellipse: Floats, matrix: Floats, distortion: Floats) -> Floats:
    """Direction in the middle of all lines of sight along an outline."""
    turn = np.linspace(0.0, 2.0 * np.pi, 240, endpoint=False)
    along = np.radians(ellipse[4])
    axes = np.array([[np.cos(along), np.sin(along)], [-np.sin(along), np.cos(along)]])
    rim = (
        ellipse[:2]
        + np.column_stack([ellipse[2] / 2.0 * np.cos(turn), ellipse[3] / 2.0 * np.sin(turn)]) @ axes
    )
    slopes = cv2.undistortPoints(rim[:, None], matrix, distortion)[:, 0]
    rays = np.column_stack([slopes, np.ones(len(slopes))])
    rays = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    # Unit vectors along a round cone lie in a plane square to its axis.
    normal = np.linalg.svd(rays - rays.mean(axis=0))[2][2]
    return np.asarray(normal * np.sign(normal[2]))


def test_two_steps_along_the_row_triangulate_a_fruit_to_its_centre() -> None:
    look = Look(camera=replace(Look().camera, k1=0.03))
    shots = [replace(SHOT, look=look, step=step) for step in (0, 1)]
    rng = np.random.default_rng(8)
    centres = rng.uniform((0.0, 900.0, -300.0), (400.0, 1900.0, 300.0), (12, 3))
    fruits = some_fruit(centres.tolist(), rng.uniform(20.0, 95.0, 12).tolist())
    ids = tuple(f"G1-12-{number}" for number in range(12))
    pictures = [picture_of(shot, stand_of(fruits, ids)) for shot in shots]
    views = [told(picture, unseen(picture)) for picture in pictures]
    assert [len(view.fruits) for view in views] == [12, 12]
    for number, centre in enumerate(centres):
        ends, ways = [], []
        for view in views:
            matrix, distortion, rotation, position = matrices(view)
            fruit = view.fruits[number]
            ends.append(position)
            ways.append(rotation.T @ axis_of_cone(np.array(fruit.ellipse_px), matrix, distortion))
            # What the record says about the centre is the same point.
            assert rotation.T @ np.array(fruit.centre_mm) + position == pytest.approx(
                centre, abs=0.15
            )
        # Nearest point to both lines of sight.
        square = [np.eye(3) - np.outer(way, way) for way in ways]
        both = sum(one @ end for one, end in zip(square, ends, strict=True))
        assert np.linalg.solve(square[0] + square[1], both) == pytest.approx(centre, abs=1.0)


def test_the_marker_of_the_truth_is_a_square_of_its_side_at_its_depth_and_tilt(
    hung: tuple[Picture, References],
) -> None:
    picture, references = hung
    truth = told(picture, unseen(picture), references)
    assert truth.marker is not None
    half = truth.marker.side_mm / 2.0
    flat = np.array([[-half, half, 0], [half, half, 0], [half, -half, 0], [-half, -half, 0]])
    matrix, distortion, *_ = matrices(truth)
    found, turn, shift = cv2.solvePnP(
        flat, np.array(truth.marker.corners_px), matrix, distortion, flags=cv2.SOLVEPNP_IPPE_SQUARE
    )
    assert found
    assert shift[2, 0] == pytest.approx(truth.marker.depth_mm, abs=2.0)
    facing = cv2.Rodrigues(turn)[0][2, 2]
    assert np.degrees(np.arccos(abs(facing))) == pytest.approx(truth.marker.tilt_deg, abs=1.5)


# ---------------------------------------------------------------- files


@pytest.fixture(scope="module")
def album(hung: tuple[Picture, References]) -> list[PhotoTruth]:
    """Two photos with a marker, balls, and fruit of every kind, drawn without a renderer."""
    shot = phone(150, k1=0.02)
    places = [(x, y) for y in (30.0, 70.0, 110.0) for x in (25.0, 60.0, 95.0)]
    fruits = some_fruit(
        [at(shot, *place, 600.0) for place in places], [40.0 + i for i in range(9)], roundness=0.9
    )
    fallen = some_fruit([at(shot, 40.0, 180.0, 700.0)], [50.0])
    own = stand_of(
        fruits,
        tuple(f"G1-12-{number}" for number in range(1, 10)),
        fallen=fallen,
        fallen_ids=("fallen-1",),
    )
    behind = stand_of(
        some_fruit([at(shot, 125.0, 50.0, 700.0), at(shot, 12.0, 181.0, 900.0)], [80.0, 70.0]),
        ("other-1", "other-2"),
        row_behind=1,
        place=None,
    )
    ball = Ball(centre_mm=tuple(at(shot, 125.0, 120.0, 650.0)), diameter_mm=60.0, colour="white")
    picture = picture_of(shot, own, behind)
    references = replace(hung[1], balls=(ball,))
    ids = unseen(picture).repeat(2, axis=0).repeat(2, axis=1)
    y, x = np.indices(ids.shape) / 2.0 - 0.25
    # A speck of a second fruit behind.
    ids[360:364, 20:30] = 11
    # Discs of 6.5 px radius; of the first fruit nothing is seen.
    for label, (at_x, at_y) in enumerate([*places[1:], (125.0, 50.0)], start=2):
        ids[np.hypot(x - at_x, y - at_y) < 6.5] = label
    for label, (at_x, at_y) in enumerate([(40.0, 180.0), (125.0, 120.0)], start=12):
        ids[np.hypot(x - at_x, y - at_y) < 6.5] = label
    first = told(picture, ids, references)
    second = told(replace(picture, shot=replace(shot, step=1)), ids, references)
    return [first, second]


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_a_truth_goes_to_json_and_back(album: list[PhotoTruth]) -> None:
    for truth in album:
        assert PhotoTruth.from_json(truth.to_json()) == truth
    bare = replace(album[0], marker=None, balls=())
    assert PhotoTruth.from_json(bare.to_json()) == bare


def test_the_steps_of_a_face_have_names_of_their_own(album: list[PhotoTruth]) -> None:
    assert [truth.name for truth in album] == [
        "photos/gala_r1_t12_A.jpg",
        "photos/gala_r1_t12_A_step1.jpg",
    ]


def test_the_same_truth_gives_the_same_bytes_and_a_photo_twice_is_refused(
    album: list[PhotoTruth], tmp_path: Path
) -> None:
    once, again = write_truth(album, tmp_path / "a"), write_truth(iter(album), tmp_path / "b")
    assert {path.name for path in once} == {COCO_FILE, PHOTO_FILE, MARKER_FILE, BALL_FILE}
    for one, other in zip(once, again, strict=True):
        assert one.read_bytes() == other.read_bytes()
    with pytest.raises(SimulationError, match=r"gala_r1_t12_A\.jpg is there twice"):
        write_truth([album[0], album[0]], tmp_path / "c")


def test_the_columns_of_the_samples_come_first() -> None:
    for name, columns in ((PHOTO_FILE, PHOTO_COLUMNS), (MARKER_FILE, MARKER_COLUMNS)):
        old = tuple(read_csv(SAMPLES / name)[0])
        assert columns[: len(old)] == old
        assert len(set(columns)) == len(columns)


NUMBER, TEXT, WHOLE = {"type": "number"}, {"type": "string"}, {"type": "integer"}


def numbers(count: int) -> dict[str, Any]:
    return {"type": "array", "items": NUMBER, "minItems": count, "maxItems": count}


def record(**keys: Any) -> dict[str, Any]:
    """Schema of an object with just these keys."""
    return {
        "type": "object",
        "properties": keys,
        "required": list(keys),
        "additionalProperties": False,
    }


def rows_of(count: int, of: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": of, "minItems": count, "maxItems": count}


PLACE = {
    "type": ["array", "null"],
    "prefixItems": [TEXT, WHOLE, WHOLE],
    "minItems": 3,
    "maxItems": 3,
}
REGION = {
    "id": {"type": "integer", "minimum": 1},
    "image_id": WHOLE,
    "category_id": {"enum": [1, 2, 3]},
    "bbox": numbers(4),
    "area": {"type": "number", "exclusiveMinimum": 0},
    "segmentation": record(size=rows_of(2, WHOLE), counts=TEXT),
}
FRUIT = record(
    **REGION,
    iscrowd={"const": 0},
    fv_fruit_id=TEXT,
    fv_tree={"type": ["array", "null"], "items": WHOLE, "minItems": 2, "maxItems": 2},
    fv_this_row={"type": "boolean"},
    fv_row_behind=WHOLE,
    fv_diameter_mm=NUMBER,
    fv_centre_mm=numbers(3),
    fv_ellipse_px=numbers(5),
    fv_full_bbox=numbers(4),
    fv_visible_share={"type": "number", "minimum": 0, "maximum": 1},
)
SMALL = record(**REGION, iscrowd={"const": 1})
SCHEMA = record(
    info=record(
        description=TEXT,
        url=TEXT,
        version=TEXT,
        year=WHOLE,
        contributor=TEXT,
        date_created={"type": "string", "pattern": r"^\d{4}-\d\d-\d\d$"},
    ),
    licenses=rows_of(1, record(id=WHOLE, name=TEXT, url=TEXT)),
    categories=rows_of(3, record(id=WHOLE, name=TEXT, supercategory=TEXT)),
    images={
        "type": "array",
        "items": record(
            id={"type": "integer", "minimum": 1},
            file_name=TEXT,
            width=WHOLE,
            height=WHOLE,
            license={"const": 1},
            date_captured={"type": "string", "pattern": r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d$"},
            fv_tree=PLACE,
            fv_face={"enum": ["A", "B"]},
            fv_step=WHOLE,
            fv_light=TEXT,
            fv_camera_matrix=rows_of(3, numbers(3)),
            fv_distortion=numbers(5),
            fv_rotation=rows_of(3, numbers(3)),
            fv_position_mm=numbers(3),
            fv_marker=record(
                id=WHOLE,
                side_mm=NUMBER,
                corners_px=rows_of(4, numbers(2)),
                depth_mm=NUMBER,
                tilt_deg=NUMBER,
            ),
            fv_balls={
                "type": "array",
                "items": record(
                    id=TEXT,
                    diameter_mm=NUMBER,
                    ellipse_px=numbers(5),
                    centre_mm=numbers(3),
                    visible_share=NUMBER,
                ),
            },
        ),
    },
    annotations={"type": "array", "items": {"anyOf": [FRUIT, SMALL]}},
)


def test_the_coco_file_has_just_the_keys_that_are_documented(
    album: list[PhotoTruth], tmp_path: Path
) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    from fruitvision.simulate.picture import coco

    write_truth(album, tmp_path)
    document = json.loads((tmp_path / COCO_FILE).read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(SCHEMA).validate(document)
    ids = [one["id"] for one in document["annotations"]]
    assert len(set(ids)) == len(ids)
    documented = coco.__doc__ or ""
    for key in {*document["images"][0], *document["annotations"][0]}:
        assert not key.startswith("fv_") or key in documented


def test_coco_reads_the_file_and_the_truth_scores_one_against_itself(
    album: list[PhotoTruth], tmp_path: Path
) -> None:
    write_truth(album, tmp_path)
    truth = coco_library.COCO(tmp_path / COCO_FILE)
    annotations = truth.loadAnns(truth.getAnnIds())
    # 8 of 9 hanging, 1 behind, 1 fallen, 1 ball and the speck in each of two photos.
    assert len(annotations) == 24
    guesses = [
        {
            **{key: one[key] for key in ("image_id", "category_id", "bbox", "segmentation")},
            "score": 0.9,
        }
        for one in annotations
        if not one["iscrowd"]
    ]
    # Finding the speck is neither right nor wrong.
    speck = {"size": [200, 150], "counts": album[0].small_mask}
    guesses.append(
        {
            "image_id": 1,
            "category_id": 1,
            "bbox": [10, 180, 5, 2],
            "segmentation": speck,
            "score": 0.99,
        }
    )
    for kind in ("bbox", "segm"):
        score = coco_library.COCOeval_faster(truth, truth.loadRes(guesses), kind)
        score.evaluate()
        score.accumulate()
        score.summarize()
        assert score.stats[0] == pytest.approx(1.0)


def test_csv_and_coco_tell_the_same_numbers(album: list[PhotoTruth], tmp_path: Path) -> None:
    write_truth(album, tmp_path)
    document = json.loads((tmp_path / COCO_FILE).read_text(encoding="utf-8"))
    images = {one["id"]: one for one in document["images"]}
    rows = {
        (row["photo"], row["fruit_id"]): row
        for name in (PHOTO_FILE, BALL_FILE)
        for row in read_csv(tmp_path / name)
    }
    names = {one["id"]: one["name"] for one in document["categories"]}
    seen = set()
    for one in document["annotations"]:
        if one["iscrowd"]:
            continue
        key = (images[one["image_id"]]["file_name"], one["fv_fruit_id"])
        row = rows[key]
        seen.add(key)
        for column, value in zip(
            ("x_px", "y_px", "width_px", "height_px", "angle_deg"),
            one["fv_ellipse_px"],
            strict=True,
        ):
            assert float(row[column]) == value
        for axis, value in zip("xyz", one["fv_centre_mm"], strict=True):
            assert float(row[f"centre_{axis}_mm"]) == value
        assert float(row["diameter_mm"]) == one["fv_diameter_mm"]
        assert float(row["visible_share"]) == one["fv_visible_share"]
        assert row["category"] == names[one["category_id"]]
        assert (row["on_this_row"] == "true") == one["fv_this_row"]
        tree = one["fv_tree"] or ["", ""]
        assert [row["row"], row["position"]] == [str(part) for part in tree]
        assert row["block"] == (images[one["image_id"]]["fv_tree"][0] if one["fv_tree"] else "")
    # Only fruit of which nothing is seen are in the CSV alone.
    assert {rows[key]["visible_share"] for key in set(rows) - seen} == {"0.000"}
    for row, image in zip(read_csv(tmp_path / MARKER_FILE), document["images"], strict=True):
        assert row["photo"] == image["file_name"]
        corners = [float(row[f"{axis}{n}_px"]) for n in (1, 2, 3, 4) for axis in "xy"]
        assert corners == [value for corner in image["fv_marker"]["corners_px"] for value in corner]
        assert float(row["focal_px"]) == image["fv_camera_matrix"][0][0]
        assert [float(row[key]) for key in ("k1", "k2", "p1", "p2", "k3")] == image["fv_distortion"]
        turn = [float(row[f"r{i}{j}"]) for i in (1, 2, 3) for j in (1, 2, 3)]
        assert turn == [value for part in image["fv_rotation"] for value in part]


def test_an_annotation_costs_less_than_half_a_kilobyte(
    album: list[PhotoTruth], tmp_path: Path
) -> None:
    write_truth(album, tmp_path)
    annotations = json.loads((tmp_path / COCO_FILE).read_text(encoding="utf-8"))["annotations"]
    sizes = [len(json.dumps(one, separators=(",", ":"))) for one in annotations]
    assert max(sizes) < 500


# ---------------------------------------------------------------- a whole photo


@pytest.mark.usefixtures("renderer")
def test_a_photo_comes_with_the_truth_of_the_season() -> None:
    photo = shoot(replace(SHOT, look=BARE, step=1), samples=1, shrink=12)
    truth = photo.truth
    assert photo.name == truth.name
    with Image.open(BytesIO(photo.jpeg)) as picture:
        assert picture.size == (truth.width_px, truth.height_px) == (125, 166)
        taken = picture.getexif().get_ifd(34665)[36867]
    assert taken == truth.taken_at.replace("-", ":").replace("T", " ")
    by_id = {BLOCK.fruit_id(fruit): fruit for fruit in range(len(BLOCK.tree))}
    named = [one for one in truth.fruits if one.category == HANGING and one.tree is not None]
    assert len(named) > 30
    for one in named:
        assert one.diameter_mm == round(float(BLOCK.diameter_mm[by_id[one.fruit_id]]), 1)
        row, position = BLOCK.places[BLOCK.tree[by_id[one.fruit_id]]].tolist()
        assert one.tree == (BLOCK.plan.block_id, row, position)
        assert one.own_tree == ((row, position) == truth.tree[1:])
    assert sum(one.visible_share > 0.5 for one in named) > 10
    assert any(one.category == FALLEN for one in truth.fruits)
    _check_masks_do_not_overlap(truth)


def _check_masks_do_not_overlap(truth: PhotoTruth) -> None:
    owned: dict[bool, int] = defaultdict(int)
    total = np.zeros((truth.height_px, truth.width_px), dtype=int)
    for one in truth.fruits:
        total += mask_pixels(one.mask, truth.height_px, truth.width_px)
        owned[bool(one.mask)] += 1
    assert total.max() == 1
    assert owned[True] > 10

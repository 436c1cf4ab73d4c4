"""The camera, trees, and the sample photos that were made with them."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from fruitvision.simulate.picture.camera import Camera, ellipsoid_shapes, outlines
from fruitvision.simulate.picture.marker import MARKER_ID
from fruitvision.simulate.picture.meshes import lathe, tube
from fruitvision.simulate.picture.references import ReferenceDials, hang_sheet
from fruitvision.simulate.picture.scene import compose, obstacles
from fruitvision.simulate.picture.shot import Shot
from fruitvision.simulate.picture.tree import TreeDials, grow_tree
from fruitvision.simulate.season.draw import SeasonBlock, draw_season

SAMPLES = Path(__file__).parent.parent / "samples"
SEED = 2026


@pytest.fixture(scope="module")
def season() -> tuple[SeasonBlock, ...]:
    return draw_season(SEED)


def read(name: str, folder: Path = SAMPLES) -> list[dict[str, str]]:
    with (folder / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def front_camera(focal_px: float = 1500.0) -> Camera:
    return Camera(
        position_mm=(0.0, 0.0, 0.0),
        forward=(0.0, 0.0, -1.0),
        up=(0.0, 1.0, 0.0),
        focal_px=focal_px,
        width_px=1501,
        height_px=2001,
    )


# ---------------------------------------------------------------- meshes


def test_a_fruit_mesh_is_as_wide_as_its_ellipsoid_and_its_normals_point_outwards() -> None:
    points, normals, _, faces = lathe(33, 66)
    assert np.abs(points[:, 0]).max() == pytest.approx(1.0, abs=0.01)
    corners = points[faces]
    flat = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    outward = np.einsum("ij,ij->i", flat, normals[faces].mean(axis=1))
    assert (outward[np.linalg.norm(flat, axis=1) > 1e-4] > 0).all()


def test_a_tube_keeps_its_radius_along_a_bend() -> None:
    path = np.array([[0.0, 0.0, 0.0], [0.0, 100.0, 0.0], [40.0, 200.0, 0.0]])
    found = tube(path, np.array([10.0, 10.0, 10.0]), np.full(3, 0.2), sides=8)
    from_path = np.linalg.norm(found.points_mm - np.repeat(path, 8, axis=0), axis=1)
    assert from_path == pytest.approx(10.0)


# ---------------------------------------------------------------- trees


def test_a_tree_is_the_same_whoever_looks_and_its_fruit_do_not_overlap() -> None:
    diameters = np.random.default_rng(3).normal(66.0, 5.0, 90)
    foot = np.array([100.0, 0.0, 0.0])
    tree = grow_tree(TreeDials(), diameters, foot, np.random.default_rng(5))
    again = grow_tree(TreeDials(), diameters, foot, np.random.default_rng(5))
    assert np.array_equal(tree.fruits.centres_mm, again.fruits.centres_mm)
    centres = tree.fruits.centres_mm
    gaps = np.linalg.norm(centres[:, None] - centres[None], axis=2)
    touch = (diameters[:, None] + diameters[None]) / 2.0
    pairs = ~np.eye(90, dtype=bool)
    # Within a cluster fruit may press against each other by a few millimetres.
    assert (gaps - touch)[pairs].min() > -8.0


@pytest.mark.parametrize("face", ["A", "B"])
def test_the_sheet_faces_the_camera_at_the_wanted_depth(
    season: tuple[SeasonBlock, ...], face: str
) -> None:
    block = season[0]
    picture = compose(Shot(block=block, tree=block.photographed[0], face=face, seed=SEED))
    rng = np.random.default_rng(2)
    sheet = hang_sheet(ReferenceDials(), picture.camera, obstacles(picture).centres_mm, 2230.0, rng)
    depth = picture.camera.seen_from(sheet.middle_mm[None])[0, 2]
    assert abs(depth - 2230.0) <= 81.0
    top_left, top_right, bottom_right, _ = sheet.corners_px(picture.camera)
    assert top_right[0] - top_left[0] > 80.0
    assert bottom_right[1] - top_right[1] > 80.0


# ---------------------------------------------------------------- samples


def test_every_photo_of_the_walk_is_there_with_its_truth() -> None:
    walk = [row["photo"] for row in read("walk.csv")]
    assert len(walk) == 40
    assert [row["photo"] for row in read("truth_markers.csv")] == walk
    assert {row["photo"] for row in read("truth_photos.csv")} == set(walk)
    assert all((SAMPLES / photo).is_file() for photo in walk)
    assert sum((SAMPLES / photo).stat().st_size for photo in walk) < 36e6


def test_photo_truth_has_the_diameters_of_the_fruit_table() -> None:
    truth = {row["fruit_id"]: row for row in read("truth.csv")}
    named = [row for row in read("truth_photos.csv") if row["row"]]
    assert len(named) > 3000
    for row in named:
        assert row["diameter_mm"] == truth[row["fruit_id"]]["diameter_mm"]
        assert row["position"] == truth[row["fruit_id"]]["position"]


def test_width_in_the_picture_is_diameter_times_focal_length_over_depth() -> None:
    focal = {row["photo"]: float(row["focal_px"]) for row in read("truth_markers.csv")}
    for row in read("truth_photos.csv")[::50]:
        expected = float(row["diameter_mm"]) * focal[row["photo"]] / float(row["depth_mm"])
        # Away from the axis and at a tilt the long axis grows: 1 / cos 40° is 1.3.
        assert 0.985 < float(row["width_px"]) / expected < 1.3


def test_the_marker_is_found_where_the_truth_has_it() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    detector = cv2.aruco.ArucoDetector(dictionary, parameters)
    for row in read("truth_markers.csv")[::8]:
        picture = cv2.imread(str(SAMPLES / row["photo"]), cv2.IMREAD_GRAYSCALE)
        corners, ids, _ = detector.detectMarkers(picture)
        assert ids is not None, row["photo"]
        assert ids.ravel().tolist() == [MARKER_ID]
        truth = np.array([[float(row[f"{axis}{n}_px"]) for axis in "xy"] for n in (1, 2, 3, 4)])
        assert np.abs(corners[0][0] - truth).max() < 2.0


# ---------------------------------------------------------------- rendering, if it is there


def test_a_fruit_with_nothing_before_it_is_seen_whole() -> None:
    pytest.importorskip("mitsuba")
    from fruitvision.simulate.picture.render import choose_variant, render_labels
    from fruitvision.simulate.picture.skin import SKINS, fruit_mesh
    from fruitvision.simulate.picture.tree import Fruits

    choose_variant("scalar_rgb")
    camera = replace(front_camera(300.0), width_px=120, height_px=120)
    fruits = Fruits(
        centres_mm=np.array([[0.0, 0.0, -600.0]]),
        spots_mm=np.zeros((1, 3)),
        turns=np.eye(3)[None],
        diameters_mm=np.array([70.0]),
        heights_mm=np.array([62.0]),
    )
    sunny = np.array([[0.0, 0.0, 1.0]])
    mesh = fruit_mesh(fruits, np.array([1]), SKINS["Gala"], sunny, 1, rows=33)
    labels = render_labels([mesh], None, camera, per_side=2)
    shapes = ellipsoid_shapes(fruits.turns, fruits.diameters_mm, fruits.heights_mm)
    ellipse = outlines(camera, fruits.centres_mm, shapes)[0]
    area_px = np.pi / 4.0 * ellipse[2] * ellipse[3]
    assert (labels == 1).sum() / 4 / area_px == pytest.approx(1.0, abs=0.04)
    rows, columns = np.nonzero(labels == 1)
    assert [columns.mean() / 2 - 0.25, rows.mean() / 2 - 0.25] == pytest.approx(
        ellipse[:2].tolist(), abs=0.5
    )

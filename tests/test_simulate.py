"""The camera, trees, and the sample photos that were made with them."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from fruitvision.simulate.picture.camera import Camera, ellipsoid_shapes, outlines, turns_about
from fruitvision.simulate.picture.marker import MARKER_ID, draw_sheet, marker_corners_on_sheet_mm
from fruitvision.simulate.picture.meshes import lathe, tube
from fruitvision.simulate.picture.phone import PhoneDials, develop, to_jpeg
from fruitvision.simulate.picture.references import ReferenceDials, hang_sheet
from fruitvision.simulate.picture.scene import compose, solid_points
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


# ---------------------------------------------------------------- camera and outlines


def test_a_point_to_the_right_and_above_lands_right_of_and_above_the_middle() -> None:
    # 100 mm aside at 1000 mm is a tenth of the focal length: 150 px from the middle (750, 1000).
    found = front_camera().project(np.array([[100.0, 100.0, -1000.0]]))
    assert found[0] == pytest.approx([900.0, 850.0])


@pytest.mark.parametrize(
    ("diameter_mm", "distance_mm", "off_axis_deg", "long_px", "short_px"),
    [
        # Outline of a sphere, f = 1000 px: A = f sin 2a / (cos 2t + cos 2a) and
        # B = f sin a / sqrt(cos² t - sin² a) with sin a = r / d; figures checked by brute force.
        (60.0, 300.0, 0.0, 201.0076, 201.0076),
        (60.0, 300.0, 20.0, 227.9409, 214.051),
        (60.0, 300.0, 30.0, 268.9155, 232.4953),
    ],
)
def test_a_sphere_has_the_outline_of_the_closed_formula(
    diameter_mm: float, distance_mm: float, off_axis_deg: float, long_px: float, short_px: float
) -> None:
    angle = np.radians(off_axis_deg)
    centre = distance_mm * np.array([[np.sin(angle), 0.0, -np.cos(angle)]])
    size = np.array([diameter_mm])
    shape = ellipsoid_shapes(np.eye(3)[None], size, size)
    found = outlines(front_camera(1000.0), centre, shape)[0]
    assert found[2:4] == pytest.approx([long_px, short_px], abs=1e-3)


def test_an_outline_agrees_with_the_projected_surface_of_the_fruit() -> None:
    rng = np.random.default_rng(1)
    camera = Camera(
        position_mm=(30.0, 1400.0, 2300.0),
        forward=(0.02, -0.01, -1.0),
        up=(0.01, 1.0, 0.0),
        focal_px=1502.3,
        width_px=1500,
        height_px=2000,
    )
    turns = turns_about(rng.normal(size=(6, 3)), rng.uniform(0.0, 0.6, 6))
    widths, heights = rng.uniform(60.0, 80.0, 6), rng.uniform(50.0, 60.0, 6)
    centres = rng.uniform((-500.0, 400.0, -300.0), (500.0, 2400.0, 500.0), (6, 3))
    ellipses = outlines(camera, centres, ellipsoid_shapes(turns, widths, heights))
    polar, around = np.meshgrid(np.linspace(0, np.pi, 500), np.linspace(0, 2 * np.pi, 500))
    sphere = np.stack(
        [np.sin(polar) * np.cos(around), np.cos(polar), np.sin(polar) * np.sin(around)], axis=-1
    ).reshape(-1, 3)
    for turn, width, height, centre, ellipse in zip(
        turns, widths, heights, centres, ellipses, strict=True
    ):
        surface = (sphere * np.array([width, height, width]) / 2.0) @ turn.T + centre
        seen = camera.project(surface) - ellipse[:2]
        along = np.radians(ellipse[4])
        axes = np.array([[np.cos(along), np.sin(along)], [-np.sin(along), np.cos(along)]])
        reach = np.abs(seen @ axes.T).max(axis=0)
        assert reach == pytest.approx(ellipse[2:4] / 2.0, abs=0.05)


# ---------------------------------------------------------------- meshes and marker


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


def test_opencv_reads_the_sheet_and_its_corners() -> None:
    sheet = draw_sheet(4)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(sheet)
    assert ids.ravel().tolist() == [MARKER_ID]
    middle = np.array([sheet.shape[1], sheet.shape[0]]) / 2.0
    wanted = middle + 4.0 * marker_corners_on_sheet_mm() * np.array([1.0, -1.0])
    assert np.abs(corners[0][0] - wanted).max() < 1.5


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
    sheet = hang_sheet(ReferenceDials(), picture.camera, solid_points(picture), 2230.0, rng)
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


# ---------------------------------------------------------------- phone


def test_a_photo_carries_time_and_lens_and_no_place() -> None:
    from datetime import datetime
    from io import BytesIO

    from PIL import Image

    light = np.random.default_rng(0).uniform(0.0, 1.0, (40, 30, 3)).astype(np.float32)
    picture = develop(PhoneDials(), light, np.random.default_rng(1))
    jpeg = to_jpeg(picture, datetime(2026, 8, 12, 9, 30), 26.0, quality=86)  # noqa: DTZ001
    exif = Image.open(BytesIO(jpeg)).getexif()
    inner = exif.get_ifd(34665)
    assert inner[36867] == "2026:08:12 09:30:00"
    assert inner[41989] == 26
    assert dict(exif.get_ifd(34853)) == {}


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

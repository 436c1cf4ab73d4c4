"""The lens, the light, the references, and what the renderer says stands where."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from fruitvision.errors import SimulationError
from fruitvision.simulate.picture.balls import Ball, Obstacles, ball_meshes
from fruitvision.simulate.picture.camera import (
    Camera,
    CameraDials,
    Floats,
    ellipsoid_shapes,
    hold_camera,
    outlines,
    turns_about,
)
from fruitvision.simulate.picture.light import Light, LightDials, choose_light
from fruitvision.simulate.picture.marker import MARKER_ID, draw_sheet, marker_corners_on_sheet_mm
from fruitvision.simulate.picture.materials import material
from fruitvision.simulate.picture.meshes import Mesh
from fruitvision.simulate.picture.references import (
    ReferenceDials,
    References,
    hang_references,
    hang_sheet,
)
from fruitvision.simulate.picture.sight import rough_shares

MATERIALS = (
    *("fruit", "wet_fruit", "fruitlet", "leaf"),
    *("bark", "ground", "metal", "concrete", "ball"),
)


def front_camera(focal_px: float = 1500.0) -> Camera:
    return Camera(
        position_mm=(0.0, 0.0, 0.0),
        forward=(0.0, 0.0, -1.0),
        up=(0.0, 1.0, 0.0),
        focal_px=focal_px,
        width_px=1501,
        height_px=2001,
    )


def held_camera(k1: float = 0.0, k2: float = 0.0) -> Camera:
    """Turned and off the axis, so that no sign or order can hide."""
    return Camera(
        position_mm=(30.0, 1400.0, 2300.0),
        forward=(0.02, -0.01, -1.0),
        up=(0.01, 1.0, 0.0),
        focal_px=1502.3,
        width_px=1500,
        height_px=2000,
        k1=k1,
        k2=k2,
    )


def sphere_points(count: int) -> Floats:
    polar, around = np.meshgrid(np.linspace(0, np.pi, count), np.linspace(0, 2 * np.pi, count))
    return np.stack(
        [np.sin(polar) * np.cos(around), np.cos(polar), np.sin(polar) * np.sin(around)], axis=-1
    ).reshape(-1, 3)


def reach_of(points_px: Floats, ellipse: Floats) -> tuple[Floats, Floats]:
    """Middle and half lengths of the box around points, along the axes of an ellipse."""
    along = np.radians(ellipse[4])
    axes = np.array([[np.cos(along), np.sin(along)], [-np.sin(along), np.cos(along)]])
    seen = (points_px - ellipse[:2]) @ axes.T
    low, high = seen.min(axis=0), seen.max(axis=0)
    return (low + high) / 2.0, (high - low) / 2.0


# ---------------------------------------------------------------- pinhole and outlines


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


@pytest.mark.parametrize(("k1", "k2"), [(0.0, 0.0), (0.02, 0.0), (-0.02, 0.01), (0.02, -0.01)])
def test_an_outline_agrees_with_the_projected_surface_of_the_fruit(k1: float, k2: float) -> None:
    rng = np.random.default_rng(1)
    camera = held_camera(k1, k2)
    turns = turns_about(rng.normal(size=(8, 3)), rng.uniform(0.0, 0.6, 8))
    widths, heights = rng.uniform(60.0, 80.0, 8), rng.uniform(50.0, 60.0, 8)
    centres = rng.uniform((-900.0, 100.0, -300.0), (900.0, 2800.0, 500.0), (8, 3))
    ellipses = outlines(camera, centres, ellipsoid_shapes(turns, widths, heights))
    sphere = sphere_points(360)
    for turn, width, height, centre, ellipse in zip(
        turns, widths, heights, centres, ellipses, strict=True
    ):
        surface = (sphere * np.array([width, height, width]) / 2.0) @ turn.T + centre
        middle, reach = reach_of(camera.project(surface), ellipse)
        assert middle == pytest.approx([0.0, 0.0], abs=0.05)
        assert reach == pytest.approx(ellipse[2:4] / 2.0, abs=0.05)


# ---------------------------------------------------------------- the lens


def points_in_view(camera: Camera, count: int = 300) -> Floats:
    rng = np.random.default_rng(4)
    size = np.array([camera.width_px, camera.height_px]) / 2.0 / camera.focal_px
    depth = rng.uniform(500.0, 9000.0, count)
    seen = np.column_stack([rng.uniform(-size, size, (count, 2)), np.ones(count)]) * depth[:, None]
    return np.asarray(seen @ camera.axes() + np.array(camera.position_mm))


@pytest.mark.parametrize(("k1", "k2"), [(0.0, 0.0), (0.02, 0.0), (-0.02, 0.03), (-0.1, 0.05)])
def test_the_lens_draws_points_where_opencv_does(k1: float, k2: float) -> None:
    camera = held_camera(k1, k2)
    points = points_in_view(camera)
    turn, _ = cv2.Rodrigues(camera.axes())
    shift = -camera.axes() @ np.array(camera.position_mm)
    distortion = np.array([k1, k2, 0.0, 0.0, 0.0])
    wanted, _ = cv2.projectPoints(points, turn, shift, camera.matrix(), distortion)
    assert camera.project(points) == pytest.approx(wanted[:, 0], abs=1e-6)


def test_undistort_is_the_way_back() -> None:
    camera = held_camera(-0.05, 0.02)
    pixels = np.random.default_rng(2).uniform((0, 0), (1500, 2000), (200, 2))
    assert camera.distort(camera.undistort(pixels)) == pytest.approx(pixels, abs=1e-6)


def test_the_corner_moves_outwards_by_k1_times_the_square_of_its_slope() -> None:
    # The corner (0, 0) of 1501 x 2001 px lies 1250 px from the middle: at f = 1500 px the slope is
    # 5 / 6, and k1 = 0.02 moves it by 1250 px times 0.02 times 25 / 36.
    corner = np.array([[-0.5, 1000.0 / 1500.0, -1.0]]) * 2000.0
    plain = front_camera().project(corner)[0]
    assert plain == pytest.approx([0.0, 0.0], abs=1e-9)
    bent = replace(front_camera(), k1=0.02).project(corner)[0]
    assert np.hypot(*bent) == pytest.approx(1250.0 * 0.02 * 25.0 / 36.0)
    assert (bent < 0.0).all()


def test_points_far_outside_do_not_fold_back_into_the_picture() -> None:
    camera = replace(front_camera(), k1=-0.1)
    slopes = np.linspace(0.0, 60.0, 2000)[:, None] * np.array([[0.6, 0.8]])
    from_middle = np.linalg.norm(camera.distort(slopes) - (750.0, 1000.0), axis=1)
    assert (np.diff(from_middle) > 0.0).all()


def test_a_pinhole_sees_the_bent_world_as_the_lens_sees_the_straight_one() -> None:
    camera = held_camera(0.03, -0.02)
    points = points_in_view(camera)
    bent = camera.bent(points)
    pinhole = replace(camera, k1=0.0, k2=0.0)
    assert pinhole.project(bent) == pytest.approx(camera.project(points), abs=1e-6)
    assert camera.seen_from(bent)[:, 2] == pytest.approx(camera.seen_from(points)[:, 2])
    assert pinhole.bent(points) is points


def test_a_hand_is_as_steady_as_its_dials_say() -> None:
    dials = CameraDials(place_sd_mm=(0.0, 60.0, 0.0), turn_sd_deg=(0.0, 3.0, 0.0), step_mm=500.0)
    rng = np.random.default_rng(3)
    held = [hold_camera(dials, 1.0, 2, rng) for _ in range(400)]
    places = np.array([one.position_mm for one in held])
    assert places[:, 0] == pytest.approx(1000.0)
    assert places[:, 1].std() == pytest.approx(60.0, rel=0.15)
    assert places[:, 2] == pytest.approx(2300.0)
    pitches = np.degrees([np.arcsin(one.axes()[2, 1]) for one in held])
    assert pitches.std() == pytest.approx(3.0, rel=0.15)


# ---------------------------------------------------------------- light


@pytest.mark.parametrize("towards", [1.0, -1.0], ids=["face A", "face B"])
def test_the_sun_stands_where_the_dials_say(towards: float) -> None:
    dials = LightDials(sun_height_deg=(10.0, 20.0), sun_aside_deg=(150.0, 170.0), cloud_share=0.0)
    rng = np.random.default_rng(1)
    for _ in range(100):
        light = choose_light(dials, towards, rng)
        x, y, z = light.to_sun
        assert np.linalg.norm(light.to_sun) == pytest.approx(1.0)
        assert 10.0 <= np.degrees(np.arcsin(y)) <= 20.0
        # Against the sun: on the far side of the row from the camera.
        assert 150.0 <= np.degrees(np.arctan2(abs(x), z * towards)) <= 170.0


def test_cloud_comes_as_often_as_its_share_and_at_night_there_is_only_the_flash() -> None:
    rng = np.random.default_rng(1)
    kinds = [choose_light(LightDials(cloud_share=0.3), 1.0, rng).kind for _ in range(600)]
    assert kinds.count("cloud") / 600 == pytest.approx(0.3, abs=0.06)
    night = choose_light(LightDials(night=True, cloud_share=1.0), 1.0, rng)
    assert (night.kind, night.words(1.0)) == ("flash", "night, flash")


def test_a_dial_of_the_cloud_leaves_the_place_of_the_sun_alone() -> None:
    clear, white = (
        choose_light(LightDials(cloud_share=share), 1.0, np.random.default_rng(8))
        for share in (0.0, 1.0)
    )
    assert (clear.kind, white.kind) == ("sun", "cloud")
    assert clear.to_sun == white.to_sun
    assert "white sky" in white.words(1.0)


# ---------------------------------------------------------------- references


def test_opencv_reads_the_sheet_and_its_corners() -> None:
    sheet = draw_sheet(4)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(sheet)
    assert ids.ravel().tolist() == [MARKER_ID]
    middle = np.array([sheet.shape[1], sheet.shape[0]]) / 2.0
    wanted = middle + 4.0 * marker_corners_on_sheet_mm() * np.array([1.0, -1.0])
    assert np.abs(corners[0][0] - wanted).max() < 1.5


@pytest.mark.parametrize("towards", [1.0, -1.0], ids=["face A", "face B"])
@pytest.mark.parametrize("tilt_deg", [0.0, 35.0])
def test_the_sheet_is_tilted_no_further_than_its_dial(towards: float, tilt_deg: float) -> None:
    rng = np.random.default_rng(6)
    camera = hold_camera(CameraDials(), towards, 0, rng)
    dials = ReferenceDials(tilt_deg=tilt_deg, depth_sd_mm=0.0, depth_off_mm=150.0)
    tilts = []
    for _ in range(8):
        sheet = hang_sheet(dials, camera, np.zeros((0, 3)), 2000.0, rng)
        facing = np.cross(sheet.right, sheet.up)
        tilts.append(np.degrees(np.arccos(min(facing[2] * towards, 1.0))))
        assert camera.seen_from(sheet.middle_mm[None])[0, 2] == pytest.approx(2150.0)
        assert 650.0 <= abs(sheet.middle_mm[0]) <= 790.0
    assert max(tilts) <= tilt_deg + 1e-6
    assert max(tilts) >= 0.5 * tilt_deg


def crowd(count: int = 220) -> Obstacles:
    rng = np.random.default_rng(12)
    centres = rng.uniform((-600.0, 600.0, -300.0), (600.0, 2300.0, 300.0), (count, 3))
    return Obstacles(centres_mm=centres, radii_mm=rng.uniform(30.0, 40.0, count))


def hung(dials: ReferenceDials, obstacles: Obstacles) -> tuple[Camera, References]:
    camera = hold_camera(CameraDials(), 1.0, 0, np.random.default_rng(2))
    rngs = np.random.default_rng(3), np.random.default_rng(4)
    return camera, hang_references(dials, camera, obstacles, 2200.0, rngs)


def test_balls_touch_nothing_and_nothing_solid_stands_before_them() -> None:
    dials = ReferenceDials(balls=6, ball_mm=60.0, ball_colours=("white", "orange", "blue"))
    obstacles = crowd()
    camera, found = hung(dials, obstacles)
    assert len(found.balls) == 6
    assert [ball.colour for ball in found.balls[:4]] == ["white", "orange", "blue", "white"]
    depths = camera.seen_from(obstacles.centres_mm)[:, 2]
    in_picture = camera.project(obstacles.centres_mm)
    for ball in found.balls:
        centre = np.array(ball.centre_mm)
        gaps = np.linalg.norm(obstacles.centres_mm - centre, axis=1) - obstacles.radii_mm - 30.0
        assert gaps.min() > 5.0
        depth = camera.seen_from(centre[None])[0, 2]
        # -180 to 60 mm from the mean depth of the fruit.
        assert 2020.0 <= depth <= 2260.0
        middle = camera.project(centre[None])[0]
        apart = np.linalg.norm(in_picture - middle, axis=1)
        near = depths < depth
        touch = camera.focal_px * (obstacles.radii_mm / depths + 30.0 / depth)
        assert (apart > touch)[near].all()
        assert (middle > 20.0).all()
        assert (middle < (1479.0, 1979.0)).all()
    for number, ball in enumerate(found.balls):
        for other in found.balls[:number]:
            apart_mm = np.subtract(ball.centre_mm, other.centre_mm)
            assert np.linalg.norm(apart_mm) > 60.0


def test_balls_do_not_move_the_sheet_and_a_full_tree_has_room_for_fewer() -> None:
    obstacles = crowd()
    _, without = hung(ReferenceDials(), obstacles)
    _, with_balls = hung(ReferenceDials(balls=3), obstacles)
    assert without.sheet is not None
    assert with_balls.sheet is not None
    assert np.array_equal(without.sheet.middle_mm, with_balls.sheet.middle_mm)
    _, packed = hung(ReferenceDials(balls=3, sheet=False), crowd(4000))
    assert packed.sheet is None
    assert packed.balls == ()


def test_labels_of_balls_follow_those_given() -> None:
    balls = tuple(
        Ball(centre_mm=(x, 0.0, 0.0), diameter_mm=60.0, colour="white") for x in (0.0, 100.0)
    )
    parts = [
        mesh for mesh in References(sheet=None, balls=balls).meshes(41) if mesh.labels is not None
    ]
    assert [np.unique(mesh.labels).tolist() for mesh in parts] == [[41], [42]]
    for ball, mesh in zip(balls, parts, strict=True):
        from_centre = np.linalg.norm(mesh.points_mm - np.array(ball.centre_mm), axis=1)
        assert from_centre == pytest.approx(30.0)


def test_a_scout_sees_fruit_before_leaves_and_none_behind() -> None:
    camera = front_camera()
    centres = np.array([[-200.0, 0.0, -2000.0], [200.0, 0.0, -2000.0], [260.0, 0.0, -2600.0]])
    wall = np.stack(np.meshgrid(np.arange(-300.0, -100.0, 8.0), np.arange(-100.0, 100.0, 8.0)), -1)
    leaves = np.column_stack([wall.reshape(-1, 2), np.full(wall[..., 0].size, -1900.0)])
    found = rough_shares(camera, centres, np.full(3, 70.0), leaves)
    assert found[0] == pytest.approx(0.0)
    assert found[1] > 0.9
    # In line with the second and smaller: hidden but for its rim.
    assert found[2] < 0.4


# ---------------------------------------------------------------- dials out of range


@pytest.mark.parametrize(
    ("kind", "dial", "value", "valid"),
    [
        (CameraDials, "k1", 0.3, "Valid: -0.05 to 0.05"),
        (CameraDials, "focal_35mm", float("nan"), "Valid: 12 to 200"),
        (CameraDials, "distance_mm", 100.0, "Valid: 800 to 6000"),
        (CameraDials, "turn_sd_deg", (0.0, 40.0, 0.0), "Valid: 0 to 10"),
        (LightDials, "sun_height_deg", (1.0, 20.0), "Valid: 5 to 85"),
        (LightDials, "sun_height_deg", (30.0, 20.0), "smaller number first"),
        (LightDials, "turbidity", (3.0, 12.0), "Valid: 1 to 10"),
        (LightDials, "cloud_share", 1.2, "Valid: 0 to 1"),
        (ReferenceDials, "tilt_deg", 40.0, "Valid: 0 to 35"),
        (ReferenceDials, "balls", 50, "Valid: 0 to 12"),
        (
            ReferenceDials,
            "ball_colours",
            ("mauve",),
            "Known: white, orange, blue, yellow, red, green, pink",
        ),
        (ReferenceDials, "ball_colours", (), "Valid: 1 to 12"),
    ],
)
def test_a_dial_out_of_range_is_refused_with_its_range(
    kind: type[Any], dial: str, value: object, valid: str
) -> None:
    with pytest.raises(SimulationError, match=dial) as caught:
        kind(**{dial: value})
    assert valid in caught.value.fix


def test_an_unknown_material_is_refused_with_those_there_are() -> None:
    with pytest.raises(SimulationError, match="no material 'gold'") as caught:
        material("gold")
    assert "wet_fruit" in caught.value.fix


# ---------------------------------------------------------------- rendering, if it is there


@pytest.fixture(scope="module")
def render() -> Any:
    pytest.importorskip("mitsuba")
    from fruitvision.simulate.picture import render

    render.choose_variant("scalar_rgb")
    return render


def plate(left: float, right: float, top: float, bottom: float, depth: float) -> Mesh:
    """An upright rectangle before the front camera; y up."""
    points = np.array([[left, bottom], [right, bottom], [right, top], [left, top]])
    return Mesh(
        material="bark",
        points_mm=np.column_stack([points, np.full(4, -depth)]),
        faces=np.array([[0, 1, 2], [0, 2, 3]]),
        colours=np.full((4, 3), 0.5),
        labels=np.full(4, 5),
    )


def small_camera(width_px: int, height_px: int, focal_px: float) -> Camera:
    return replace(front_camera(focal_px), width_px=width_px, height_px=height_px)


def test_labels_are_asked_at_the_middles_of_the_pixels_and_of_their_quarters(render: Any) -> None:
    # Pixel x has its middle at x - 9.5 from the axis; 1 px is 10 mm at 1000 mm.
    camera = small_camera(20, 10, 100.0)
    mesh = plate(-35.5, 21.0, 12.0, -28.0, 1000.0)
    whole = render.render_labels([mesh], None, camera, per_side=1)
    # From x = 9.5 - 3.55 = 5.95 to 11.6, and from y = 4.5 - 1.2 = 3.3 to 7.3.
    assert whole.shape == (10, 20)
    assert set(np.unique(whole)) == {0, 5}
    assert np.flatnonzero((whole == 5).any(axis=0)).tolist() == [6, 7, 8, 9, 10, 11]
    assert np.flatnonzero((whole == 5).any(axis=1)).tolist() == [4, 5, 6, 7]
    halves = render.render_labels([mesh], None, camera, per_side=2)
    # Quarters of pixel x lie at x - 0.25 and x + 0.25: from 6.25 to 11.25, and from 3.75 to 7.25.
    assert halves.shape == (20, 40)
    assert np.flatnonzero((halves == 5).any(axis=0)).tolist() == list(range(13, 24))
    assert np.flatnonzero((halves == 5).any(axis=1)).tolist() == list(range(8, 16))


@pytest.mark.parametrize(("k1", "k2"), [(0.0, 0.0), (0.02, -0.01), (-0.03, 0.0)])
def test_a_rendered_ellipsoid_fills_its_outline(render: Any, k1: float, k2: float) -> None:
    camera = replace(small_camera(360, 260, 400.0), k1=k1, k2=k2)
    centre = np.array([110.0, 60.0, -500.0])
    turn = turns_about(np.array([[1.0, 0.2, 0.5]]), np.array([0.5]))
    width, height = 84.0, 72.0
    ball = ball_meshes((Ball(centre_mm=(0.0, 0.0, 0.0), diameter_mm=2.0, colour="white"),), 3)[0]
    surface = (ball.points_mm * np.array([width, height, width]) / 2.0) @ turn[0].T + centre
    mesh = replace(ball, points_mm=surface, normals=None)
    per_side = 2
    labels = render.render_labels([mesh], None, camera, per_side=per_side)
    rows, columns = np.nonzero(labels == 3)
    places = (np.column_stack([columns, rows]) + 0.5) / per_side - 0.5
    shape = ellipsoid_shapes(turn, np.array([width]), np.array([height]))
    ellipse = outlines(camera, centre[None], shape)[0]
    assert 52.0 < ellipse[3] < ellipse[2] < 75.0
    # A filled ellipse has a quarter of each half axis as its spread: variance a² / 4.
    spread = np.linalg.eigvalsh(np.cov(places.T))
    assert places.mean(axis=0) == pytest.approx(ellipse[:2], abs=0.1)
    assert 4.0 * np.sqrt(spread[::-1]) == pytest.approx(ellipse[2:4], abs=0.15)
    area_px = len(places) / per_side**2
    assert area_px == pytest.approx(np.pi / 4.0 * ellipse[2] * ellipse[3], rel=0.004)


def test_the_light_picture_shows_things_where_the_labels_are(render: Any) -> None:
    camera = replace(small_camera(40, 30, 40.0), k1=-0.1)
    mesh = plate(-300.0, 120.0, 200.0, -90.0, 1000.0)
    light = Light(kind="cloud", to_sun=(0.0, 0.6, 0.8), sun=1.0, sky=1.0, turbidity=3.0)
    stage = render.load_stage([replace(mesh, colours=np.full((4, 3), 0.01))], None, camera, light)
    labels = render.labels_of(stage, per_side=4).reshape(30, 4, 40, 4)
    covered = (labels == 5).mean(axis=(1, 3))
    picture = render.light_of(stage, samples=16).mean(axis=2)
    assert picture[covered == 1.0].max() < 0.2
    assert picture[covered == 0.0].min() > 0.8
    assert np.array_equal(picture, render.light_of(stage, samples=16).mean(axis=2))


def two_balls() -> list[Mesh]:
    near = Ball(centre_mm=(-150.0, 0.0, -1500.0), diameter_mm=200.0, colour="white")
    far = Ball(centre_mm=(600.0, 0.0, -6000.0), diameter_mm=800.0, colour="white")
    return [mesh for mesh in ball_meshes((near, far), 1) if mesh.labels is not None]


def test_at_night_the_flash_falls_off_with_the_square_of_the_distance(render: Any) -> None:
    camera = small_camera(60, 30, 100.0)
    night = choose_light(LightDials(night=True), 1.0, np.random.default_rng(1))
    stage = render.load_stage(two_balls(), None, camera, night)
    picture = render.light_of(stage, samples=32).mean(axis=2)
    labels = render.labels_of(stage, per_side=1)
    near, far = (np.median(picture[labels == label]) for label in (1, 2))
    # Both fill the same angle at the same slope; four times as far is a sixteenth of the light.
    assert near / far == pytest.approx(16.0, rel=0.12)
    assert np.quantile(picture[labels == 0], 0.9) < near / 200.0


def test_against_the_sun_things_are_dark_before_a_bright_sky(render: Any) -> None:
    camera = small_camera(60, 30, 100.0)
    contrast = []
    for aside_deg in (0.0, 180.0):
        dials = LightDials(
            cloud_share=0.0, sun_aside_deg=(aside_deg, aside_deg), sun_height_deg=(25.0, 25.0)
        )
        light = choose_light(dials, 1.0, np.random.default_rng(1))
        stage = render.load_stage(two_balls(), None, camera, light)
        picture = render.light_of(stage, samples=16).mean(axis=2)
        labels = render.labels_of(stage, per_side=1)
        contrast.append(np.median(picture[labels == 0]) / np.median(picture[labels == 1]))
    assert contrast[1] > 3.0 * contrast[0]


def test_every_material_scatters_light_and_none_makes_any(render: Any) -> None:
    camera = small_camera(12, 12, 40.0)
    light = Light(kind="cloud", to_sun=(0.0, 0.6, 0.8), sun=0.0, sky=1.0, turbidity=3.0)
    for name in MATERIALS:
        white = replace(plate(-900, 900, 900, -900, 1000.0), colours=np.full((4, 3), 0.8))
        stage = render.load_stage([replace(white, material=name)], None, camera, light)
        found = float(render.light_of(stage, samples=32).mean())
        # An even sky of 0.93 to 1.0 all round is given back in part.
        assert 0.4 < found < 1.02, name

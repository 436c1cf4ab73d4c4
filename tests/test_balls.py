"""Balls of stated diameter: the geometry of a sphere, outlines in drawn scenes, balls by colour."""

from dataclasses import replace
from math import asin, cos, hypot, radians, sin, tan

import numpy as np
import pytest

from fruitvision.balls import BALL_COLOURS, find_balls, measure_ball
from fruitvision.balls.sphere import (
    View,
    mm_per_px_of_ball,
    outline_in_picture,
    view_of,
)
from fruitvision.domain import Ball as FoundBall
from fruitvision.domain import Camera as Lens
from fruitvision.domain import Doubt
from fruitvision.errors import ReferenceRefused, SettingsError
from fruitvision.settings import BALL_COLOUR_NAMES, Settings
from tests.scenes import Ball, Camera, Image, Leaf, Thing, draw_scene, photo_of, true_outline_px

CAMERA = Camera(width_px=420, height_px=360, focal_px=700.0)
# Linear reflectances of paints and of wood.
PAINTS = {
    "white": (0.75, 0.75, 0.72),
    "blue": (0.03, 0.10, 0.45),
    "orange": (0.70, 0.20, 0.02),
    "yellow": (0.70, 0.50, 0.03),
    "pink": (0.70, 0.20, 0.32),
    "red": (0.45, 0.03, 0.03),
    "wood": (0.45, 0.30, 0.15),
    "black": (0.05, 0.05, 0.05),
}
LOOSE = np.array([-5.0, 3.0, -2.0, 5.0])


def ball_of(radius_px: float, paint: str, *, x_px: float = 0.0, y_px: float = 0.0) -> Ball:
    depth_mm = 30 * CAMERA.focal_px / radius_px
    x, y = x_px * depth_mm / CAMERA.focal_px, y_px * depth_mm / CAMERA.focal_px
    return Ball(centre_mm=(x, y, depth_mm), diameter_mm=60.0, colour=PAINTS[paint])


def box_around(ball: Ball) -> np.ndarray:
    x, y, long, *_ = true_outline_px(CAMERA, ball)
    return np.array([x - long / 2, y - long / 2, x + long / 2, y + long / 2]) + LOOSE


def leaf_over(
    ball: Ball,
    angle_deg: float,
    off_radii: float,
    *,
    length_mm: float = 50.0,
    width_mm: float = 30.0,
) -> Leaf:
    """A leaf 60 mm before the ball's middle, off to one side of it."""
    x, y, z = ball.centre_mm
    turn = radians(angle_deg)
    return Leaf(
        centre_mm=(
            x + 30 * off_radii * np.cos(turn),
            y + 30 * off_radii * np.sin(turn),
            z - 60,
        ),
        length_mm=length_mm,
        width_mm=width_mm,
        roll_deg=angle_deg + 90,
    )


def scene(*things: Thing, seed: int = 0, blur_px: float = 0.9) -> Image:
    return draw_scene(CAMERA, things, seed=seed, blur_px=blur_px, rays_per_side=4)


def measured(ball: Ball, image: Image, *, lens_known: bool = True) -> FoundBall:
    photo = photo_of(CAMERA, lens_known=lens_known)
    return measure_ball(
        image, photo, box_around(ball), diameter_mm=ball.diameter_mm, found_by="person"
    )


def off_by(found: FoundBall, ball: Ball) -> float:
    return found.mm_per_px / (ball.centre_mm[2] / CAMERA.focal_px) - 1


# ---------------------------------------------------------------- geometry

# 8 of 48 cases of half axes of a sphere's picture (f = 1000 px), derived from
# A = f sin 2a / (cos 2t + cos 2a), B = f sin a / sqrt(cos² t - sin² a), and checked by brute force:
# diameter, distance, angle off axis, depth (mm, deg), long and short axis, shift of centre (px).
SPHERES = [
    (60, 300, 0, 300.0, 201.0076, 201.0076, 0.0),
    (60, 300, 10, 295.442, 207.3222, 204.1405, 1.837),
    (60, 300, 30, 259.808, 268.9155, 232.4953, 7.802),
    (60, 500, 20, 469.846, 136.2074, 127.9624, 1.4899),
    (60, 1000, 10, 984.808, 61.8951, 60.9539, 0.1638),
    (60, 1500, 30, 1299.038, 53.3511, 46.2003, 0.3081),
    (75, 300, 10, 295.442, 259.9388, 255.9266, 2.8873),
    (75, 300, 20, 281.908, 285.958, 268.43, 6.5564),
]


def radius_in_view(view: View, mm_per_px: float, *, diameter_mm: float) -> float:
    """Radius of the outline, px: the inverse of `mm_per_px_of_ball`."""
    distance_mm = mm_per_px * view.camera.focal_px / view.off_axis
    half = asin(min(diameter_mm / 2 / distance_mm, 0.999))
    return view.focal_px * sin(half) / cos(half)


@pytest.mark.parametrize("case", SPHERES, ids=lambda case: f"{case[0]} mm {case[1]} {case[2]} deg")
def test_a_sphere_is_drawn_as_the_formula_says(case: tuple[float, ...]) -> None:
    diameter_mm, _, angle_deg, depth_mm, long_px, short_px, shift_px = case
    lens = Lens(focal_px=1000.0, middle_x_px=20.0, middle_y_px=-30.0)
    away = 1000 * tan(radians(angle_deg))
    view = view_of(lens, 20 + 0.6 * away, -30 + 0.8 * away)
    radius_px = radius_in_view(view, depth_mm / 1000, diameter_mm=diameter_mm)
    x, y, long, short, direction = outline_in_picture(view, radius_px)
    assert (long, short) == pytest.approx((long_px, short_px), abs=0.002)
    assert hypot(x - 20, y + 30) == pytest.approx(away + shift_px, abs=0.002)
    if angle_deg:
        assert direction == pytest.approx(np.degrees(np.arctan2(0.8, 0.6)), abs=0.01)
    back = mm_per_px_of_ball(view, radius_px, diameter_mm=diameter_mm)
    assert back == pytest.approx(depth_mm / 1000, rel=1e-9)


# ---------------------------------------------------------------- outlines


@pytest.mark.parametrize("paint", sorted(PAINTS))
def test_a_ball_in_a_loose_box_gives_the_scale_at_its_depth(paint: str) -> None:
    ball = ball_of(28, paint, x_px=70, y_px=40)
    found = measured(ball, scene(ball, seed=3))
    assert found.doubts == ()
    assert abs(off_by(found, ball)) < 0.008
    assert abs(off_by(found, ball)) < 3 * found.mm_per_px_error / found.mm_per_px
    x, y, long, short, _ = true_outline_px(CAMERA, ball)
    assert hypot(found.centre_x_px - x, found.centre_y_px - y) < 0.5
    assert found.width_px == pytest.approx(long, rel=0.01)
    assert found.height_px == pytest.approx(short, rel=0.01)


@pytest.mark.parametrize(
    ("radius_px", "blur_px", "bound"),
    # A blur of a ninth of the radius still moves the edge by a quarter of a pixel.
    [(14, 0.5, 0.01), (14, 1.6, 0.02), (45, 0.5, 0.006), (45, 1.6, 0.006)],
)
def test_blur_and_size_hardly_move_the_edge(radius_px: float, blur_px: float, bound: float) -> None:
    ball = ball_of(radius_px, "white")
    found = measured(ball, scene(ball, seed=5, blur_px=blur_px))
    assert abs(off_by(found, ball)) < bound


def test_leaves_over_the_edge_are_left_out() -> None:
    errors = []
    for seed, paint in enumerate(("white", "blue", "orange", "red", "wood")):
        ball = ball_of(26, paint, x_px=-40)
        leaves = (leaf_over(ball, 40 + 70 * seed, 1.1), leaf_over(ball, 250 + 70 * seed, 1.2))
        found = measured(ball, scene(ball, *leaves, seed=seed))
        assert found.doubts == ()
        errors.append(off_by(found, ball))
    assert abs(np.mean(errors)) < 0.006
    assert np.max(np.abs(errors)) < 0.015


def test_fruit_beside_the_ball_are_not_taken_for_it() -> None:
    ball = ball_of(26, "red")
    x, y, z = ball.centre_mm
    fruit = replace(ball, centre_mm=(x + 66, y + 8, z + 25), diameter_mm=75.0, flatness=0.9)
    found = measured(ball, scene(ball, fruit, seed=2))
    assert abs(off_by(found, ball)) < 0.01


def test_a_ball_half_behind_leaves_gives_no_scale() -> None:
    ball = ball_of(26, "white")
    leaves = tuple(
        leaf_over(ball, angle, 0.5, length_mm=90.0, width_mm=50.0) for angle in (150, 210, 270)
    )
    found = measured(ball, scene(ball, *leaves))
    assert found.doubts == (Doubt.BALL_HIDDEN,)


def test_a_ball_cut_by_the_frame_gives_no_scale() -> None:
    ball = ball_of(26, "white", x_px=-CAMERA.width_px / 2 - 2)
    assert Doubt.BALL_HIDDEN in measured(ball, scene(ball)).doubts


def test_a_far_ball_is_too_small() -> None:
    ball = ball_of(5, "white")
    assert Doubt.BALL_SMALL in measured(ball, scene(ball, blur_px=0.5)).doubts


def test_an_even_wall_holds_no_ball() -> None:
    grey = np.full((360, 420, 3), 128, dtype=np.uint8)
    with pytest.raises(ReferenceRefused, match="No ball is seen in the box x 100 to 160") as caught:
        measure_ball(
            grey,
            photo_of(CAMERA),
            np.array([100.0, 100.0, 160.0, 160.0]),
            diameter_mm=60.0,
            found_by="person",
        )
    assert "close around" in caught.value.fix


def test_an_unknown_lens_widens_the_error_of_a_ball_off_the_axis() -> None:
    ball = ball_of(26, "blue", x_px=150, y_px=100)
    image = scene(ball)
    known, unknown = measured(ball, image), measured(ball, image, lens_known=False)
    assert unknown.mm_per_px_error > 1.5 * known.mm_per_px_error
    assert abs(off_by(unknown, ball)) < 3 * unknown.mm_per_px_error / unknown.mm_per_px


# ---------------------------------------------------------------- by colour


def test_balls_are_found_by_their_colour_and_nothing_else_is() -> None:
    balls = (ball_of(20, "blue", x_px=-120, y_px=60), ball_of(23, "blue", x_px=110, y_px=-70))
    others = (ball_of(21, "red", x_px=0, y_px=20), ball_of(20, "white", x_px=-20, y_px=-100))
    image = scene(*balls, *others, leaf_over(balls[0], 60, 1.2), seed=4)
    found = find_balls(image, photo_of(CAMERA), diameter_mm=60.0, colour="blue", mm_per_px=1.4)
    assert [one.found_by for one in found] == ["colour", "colour"]
    assert [abs(off_by(one, ball)) < 0.01 for one, ball in zip(found, balls, strict=True)] == [
        True,
        True,
    ]


def test_a_ball_of_another_size_than_stated_is_not_looked_for() -> None:
    image = scene(ball_of(40, "blue"), seed=4)
    assert find_balls(image, photo_of(CAMERA), diameter_mm=60.0, colour="blue", mm_per_px=1.6) == ()


def test_every_colour_of_the_settings_has_a_paint() -> None:
    assert tuple(BALL_COLOURS) == BALL_COLOUR_NAMES


@pytest.mark.parametrize("colour", ["red", "pink", "green", "wood"])
def test_colours_of_fruit_leaves_and_wood_are_refused(colour: str) -> None:
    with pytest.raises(SettingsError, match=f"'{colour}'") as caught:
        Settings(ball_diameter_mm=60.0, ball_colour=colour)
    assert "references.csv" in caught.value.fix


def test_balls_change_how_photos_are_measured_only_where_they_hang() -> None:
    plain = Settings().measuring_sha256
    assert Settings(ball_colour="blue").measuring_sha256 == plain
    blue, white = (
        Settings(ball_diameter_mm=60.0, ball_colour=colour).measuring_sha256
        for colour in ("blue", "white")
    )
    assert len({plain, blue, white}) == 3

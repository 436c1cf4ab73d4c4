"""The calibration that fits a photo: same lens, any size, turn and zoom; others are noticed."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from fruitvision.camera import centred, drawn_px, rays, scaled, turned, zoomed
from fruitvision.domain import Camera, Doubt, LensCalibration, Photo
from fruitvision.lens.fitting import FOCUSED_MM, odd_sizes, with_calibration

WIDTH, HEIGHT = 4000, 3000
CAMERA = Camera(
    focal_px=3000.0,
    middle_x_px=2030.0,
    middle_y_px=1480.0,
    distortion=(0.1, -0.2, 0.001, -0.002, 0.1),
    calibrated=True,
)
LENS = LensCalibration(
    phone="Larkhill Nine",
    lens="Larkhill Nine back camera",
    focal_35mm=26.0,
    focal_mm=None,
    width_px=WIDTH,
    height_px=HEIGHT,
    camera=CAMERA,
    focal_error_px=3.0,
    reprojection_px=0.3,
    distance_mm=500.0,
    square_mm=25.0,
    photos=12,
    corners=500,
    made_on=date(2026, 8, 1),
)
PHOTO = Photo(
    photo_id="1",
    name="1.jpg",
    width_px=WIDTH,
    height_px=HEIGHT,
    phone="Larkhill Nine",
    lens="Larkhill Nine back camera",
    focal_35mm=26.0,
    turned_deg=0,
    sharpness=4.0,
    brightness=0.5,
)
POINTS = np.array([(10.0, 20.0), (3990.0, 40.0), (2000.0, 1500.0), (700.0, 2900.0)])


def fitted(photo: Photo, lens: LensCalibration = LENS) -> Camera:
    found, doubts = with_calibration(photo, [lens])
    assert doubts == ()
    assert found.camera is not None
    assert found.camera.calibrated
    return found.camera


# ---------------------------------------------------------------- one lens, other pictures


def test_the_same_kind_of_photo_gets_the_camera_as_it_is() -> None:
    assert fitted(PHOTO) == CAMERA


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_a_turned_picture_sees_the_same_directions_turned(degrees: int) -> None:
    # A pixel (x, y) of the sensor's picture, turned clockwise by 90 degrees, is (h - 1 - y, x).
    points, about = POINTS, rays(POINTS, CAMERA)
    width_px, height_px = WIDTH, HEIGHT
    for _ in range(degrees // 90):
        points = np.column_stack([height_px - 1 - points[:, 1], points[:, 0]])
        about = np.column_stack([-about[:, 1], about[:, 0], about[:, 2]])
        width_px, height_px = height_px, width_px
    photo = replace(PHOTO, width_px=width_px, height_px=height_px, turned_deg=degrees)
    assert rays(points, fitted(photo)) == pytest.approx(about, abs=1e-12)
    assert turned(CAMERA, degrees, width_px=WIDTH, height_px=HEIGHT) == fitted(photo)


def test_a_smaller_picture_sees_the_same_directions() -> None:
    # Pixel edges, at -0.5, stay where they are; pixel centres don't.
    small = replace(PHOTO, width_px=2000, height_px=1500)
    assert rays((POINTS + 0.5) / 2 - 0.5, fitted(small)) == pytest.approx(rays(POINTS, CAMERA))
    assert fitted(small) == scaled(CAMERA, 0.5)


def test_a_size_that_no_phone_gives_is_doubted_and_taken_as_made_smaller() -> None:
    odd = replace(PHOTO, width_px=2400, height_px=1800)
    found, doubts = with_calibration(odd, [LENS])
    assert doubts == (Doubt.PHOTO_RESIZED,)
    assert found.camera == scaled(CAMERA, 0.6)


def test_a_digitally_zoomed_picture_is_the_enlarged_middle() -> None:
    zoom = replace(PHOTO, zoom=2.0, focal_35mm=52.0, doubts=(Doubt.LENS_ZOOMED,))
    centre = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    inner = centre + (POINTS - centre) / 2
    assert rays(POINTS, fitted(zoom)) == pytest.approx(rays(inner, CAMERA))
    assert fitted(zoom) == zoomed(CAMERA, 2.0, width_px=WIDTH, height_px=HEIGHT)


def test_a_picture_turned_by_nobody_knows_what_keeps_only_what_is_round() -> None:
    upright = replace(PHOTO, width_px=HEIGHT, height_px=WIDTH, turned_deg=None)
    camera = fitted(upright)
    assert (camera.middle_x_px, camera.middle_y_px) == (1499.5, 1999.5)
    assert camera.distortion == (0.1, -0.2, 0.0, 0.0, 0.1)
    assert camera == centred(CAMERA, width_px=HEIGHT, height_px=WIDTH)


def test_of_two_sizes_the_nearer_one_is_taken() -> None:
    small = replace(LENS, width_px=1000, height_px=750, camera=scaled(CAMERA, 0.26))
    photo = replace(PHOTO, width_px=1200, height_px=900)
    found, _ = with_calibration(photo, [LENS, small])
    assert found.camera == scaled(small.camera, 1.2)


def test_a_lens_focused_on_the_board_is_shorter_before_a_tree() -> None:
    # f d / (d - f) with f = 6 mm: 6.0729 mm at 500 mm, 6.0164 mm at 2,200 mm.
    lens = replace(LENS, focal_mm=6.0)
    photo = replace(PHOTO, focal_mm=6.0)
    assert FOCUSED_MM == 2200
    assert fitted(photo, lens).focal_px == pytest.approx(3000 * 6.016408 / 6.072875, rel=1e-6)


def test_drawing_and_straightening_agree_in_every_picture_of_the_lens() -> None:
    photo = replace(PHOTO, width_px=1500, height_px=2000, turned_deg=270, zoom=2.0, focal_35mm=52.0)
    camera = fitted(photo)
    points = np.array([(5.0, 5.0), (1490.0, 1000.0), (800.0, 1990.0)])
    ahead = rays(points, camera)
    px = ahead[:, :2] / ahead[:, 2:] * camera.focal_px
    ideal = px + np.array([camera.middle_x_px, camera.middle_y_px])
    assert drawn_px(ideal, camera) == pytest.approx(points, abs=1e-6)


# ---------------------------------------------------------------- not this lens


@pytest.mark.parametrize(
    "other",
    [
        {"focal_35mm": 13.0},
        {"focal_35mm": 52.0},
        {"lens": "Larkhill Nine wide camera"},
        {"width_px": 4000, "height_px": 2250},
        {"zoom": 2.0, "focal_35mm": 26.0},
        {"focal_35mm": None},
        {"doubts": (Doubt.PHOTO_CROPPED,), "width_px": 2000, "height_px": 1500},
    ],
    ids=[
        "wide lens",
        "zoomed and not said",
        "lens by name",
        "another shape",
        "zoom of another lens",
        "lens not named",
        "cropped",
    ],
)
def test_another_lens_zoom_or_shape_of_this_phone_is_noticed(other: dict[str, object]) -> None:
    photo = replace(PHOTO, **other)
    assert with_calibration(photo, [LENS]) == (photo, (Doubt.LENS_OTHER,))


def test_the_lens_itself_tells_where_the_equivalent_is_unclear() -> None:
    lens = replace(LENS, focal_mm=5.43, distance_mm=FOCUSED_MM)
    photo = replace(PHOTO, focal_mm=5.43, focal_35mm=None, zoom=1.5)
    assert fitted(photo, lens).focal_px == pytest.approx(4500)
    wide = replace(photo, focal_mm=2.2)
    assert with_calibration(wide, [lens])[1] == (Doubt.LENS_OTHER,)


def test_another_phone_has_nothing_to_do_with_it() -> None:
    other = replace(PHOTO, phone="Larkhill Ten")
    unnamed = replace(PHOTO, phone="", lens="")
    for photo in (other, unnamed):
        assert with_calibration(photo, [LENS]) == (photo, ())
    assert with_calibration(PHOTO, []) == (PHOTO, ())


# ---------------------------------------------------------------- sizes that stand out


def sized(number: int, width_px: int, height_px: int, **other: object) -> Photo:
    return replace(PHOTO, photo_id=f"{number}", width_px=width_px, height_px=height_px, **other)


def test_a_photo_of_another_shape_or_an_odd_size_than_its_phones_others_stands_out() -> None:
    usual = [sized(number, 4000, 3000) for number in range(4)]
    upright = sized(4, 3000, 4000)
    square, smaller = sized(5, 3000, 3000), sized(6, 3000, 2250)
    quarter = sized(7, 2000, 1500)
    found = odd_sizes([*usual, upright, square, smaller, quarter])
    assert found == {"5": Doubt.PHOTO_CROPPED, "6": Doubt.PHOTO_RESIZED}


def test_without_a_usual_size_nothing_stands_out() -> None:
    two = [sized(1, 4000, 3000), sized(2, 3000, 3000)]
    even = [*two, sized(3, 4000, 3000), sized(4, 3000, 3000)]
    elsewhere = [sized(number, 4000, 3000, phone="", lens="") for number in range(3)]
    for photos in (two, even, [*elsewhere, sized(9, 3000, 3000, phone="", lens="")], []):
        assert odd_sizes(photos) == {}

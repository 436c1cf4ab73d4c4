"""The overlay shows every fruit, tells sized from counted, and says the result in words."""

from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
from PIL import Image as PillowImage

from fruitvision.domain import Ball, Doubt, Fruit, MadeWith, MeasuredPhoto, Photo, Reference, Scale
from fruitvision.overlay import (
    DARK,
    LIGHT,
    MARK,
    draw_overlay,
    small_numbers,
    small_overlay,
    summary,
    write_overlay,
)

GREEN = np.full((900, 1200, 3), (40, 110, 30), dtype=np.uint8)
PHOTO = Photo(
    photo_id="a" * 64, name="row.jpg", width_px=1200, height_px=900, sharpness=1.0, brightness=0.5
)
SIZED = Fruit(
    photo_id="a" * 64,
    fruit_id="f001",
    centre_x_px=400.0,
    centre_y_px=300.0,
    width_px=120.0,
    height_px=100.0,
    angle_deg=0.0,
    diameter_px=120.0,
    diameter_mm=72.4,
    diameter_error_mm=3.0,
    visible_share=1.0,
    score=0.9,
    on_this_row=True,
)
COUNTED = replace(
    SIZED,
    centre_x_px=700.0,
    diameter_mm=None,
    diameter_error_mm=None,
    doubts=(Doubt.PARTLY_HIDDEN,),
)
BEHIND = replace(
    COUNTED, centre_x_px=1000.0, on_this_row=False, width_px=60.0, doubts=(Doubt.NOT_SIZED,)
)
MARKER = Reference(
    marker_id=7,
    side_mm=150.0,
    corners_px=((100.0, 100.0), (200.0, 100.0), (200.0, 200.0), (100.0, 200.0)),
    side_px=100.0,
    tilt_deg=2.0,
    mm_per_px=1.5,
    mm_per_px_error=0.01,
)


def photo_with(*fruit: Fruit, references: tuple[Reference, ...] = ()) -> MeasuredPhoto:
    return MeasuredPhoto(
        photo=PHOTO,
        references=references,
        scale=Scale(mm_per_px=1.5, mm_per_px_error=0.01),
        fruit=fruit,
        doubts=(),
        made_with=MadeWith(version="0", detector="classical 1", settings_sha256="0"),
    )


def lit(picture: np.ndarray, x: int, y: int) -> bool:
    """A light pixel within 3 px."""
    window = picture[y - 3 : y + 4, x - 3 : x + 4].astype(int)
    return bool((np.abs(window - LIGHT).max(axis=2) < 40).any())


def rim_points(fruit: Fruit) -> list[tuple[int, int]]:
    turns = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    return [
        (
            round(fruit.centre_x_px + fruit.width_px / 2 * np.cos(turn)),
            round(fruit.centre_y_px + fruit.height_px / 2 * np.sin(turn)),
        )
        for turn in turns
    ]


def test_the_photo_itself_is_left_alone():
    before = GREEN.copy()
    out = draw_overlay(GREEN, photo_with(SIZED))
    assert np.array_equal(before, GREEN)
    assert out.shape == GREEN.shape
    assert out.dtype == np.uint8


def test_a_sized_fruit_has_an_unbroken_outline():
    out = draw_overlay(GREEN, photo_with(SIZED))
    assert all(lit(out, x, y) for x, y in rim_points(SIZED))


def test_a_counted_fruit_has_a_broken_outline_and_no_number():
    out = draw_overlay(GREEN, photo_with(COUNTED))
    share = np.mean([lit(out, x, y) for x, y in rim_points(COUNTED)])
    assert 0.4 < share < 0.9
    assert not lit(out, 700, 300)


def test_a_sized_fruit_carries_its_millimetres_in_the_middle():
    out = draw_overlay(GREEN, photo_with(SIZED))
    middle = out[285:315, 380:420].astype(int)
    assert (np.abs(middle - LIGHT).max(axis=2) < 40).sum() > 5


def test_a_fruit_of_a_row_behind_is_a_dot_without_outline():
    out = draw_overlay(GREEN, photo_with(BEHIND))
    assert lit(out, 1000, 300)
    assert not any(lit(out, x, y) for x, y in rim_points(BEHIND))


def test_a_turned_outline_is_drawn_turned():
    upright = replace(SIZED, angle_deg=90.0, height_px=90.0)
    out = draw_overlay(GREEN, photo_with(upright))
    assert lit(out, 400, 300 - 60)
    assert not lit(out, 400 - 60, 300)


def test_the_marker_is_framed():
    out = draw_overlay(GREEN, photo_with(references=(MARKER,)))
    for x, y in ((150, 100), (200, 150), (150, 200), (100, 150)):
        window = out[y - 2 : y + 3, x - 2 : x + 3].astype(int)
        assert (np.abs(window - MARK).max(axis=2) < 40).any()


def test_the_last_line_lies_on_a_dark_band():
    out = draw_overlay(GREEN, photo_with(SIZED))
    assert np.array_equal(out[-2, -2], DARK)
    assert (np.abs(out[-40:].astype(int) - LIGHT).max(axis=2) < 40).sum() > 100


@pytest.mark.parametrize("shape", [(40, 30, 3), (1, 1, 3), (300, 2000, 3)])
def test_any_size_of_picture_can_be_drawn_on(shape):
    assert draw_overlay(np.zeros(shape, dtype=np.uint8), photo_with(SIZED)).shape == shape


def test_words_say_count_sized_mean_and_what_was_left_out():
    # (72.4 + 75.6) / 2 = 74.0
    other = replace(SIZED, diameter_mm=75.6)
    assert summary(photo_with(SIZED, other, COUNTED, BEHIND)) == (
        "3 fruit on this row · 2 sized, mean 74 mm · 1 of a row behind left out"
    )


def test_words_say_why_nothing_is_sized():
    assert summary(replace(photo_with(COUNTED), scale=None)) == (
        "1 fruit on this row · none sized: no scale"
    )
    assert summary(photo_with(COUNTED)) == "1 fruit on this row · none sized"
    assert summary(photo_with()) == "0 fruit on this row · none sized"


def test_the_file_is_a_jpeg_of_the_same_size(tmp_path):
    path = tmp_path / "overlays" / "row.jpg"
    write_overlay(GREEN, photo_with(SIZED), path)
    with PillowImage.open(path) as picture:
        assert (picture.format, picture.size) == ("JPEG", (1200, 900))


@pytest.mark.parametrize(("doubts", "share"), [((), 1.0), ((Doubt.BALL_HIDDEN,), 0.6)])
def test_a_ball_has_a_full_outline_and_one_without_use_a_broken_one(
    doubts: tuple[Doubt, ...], share: float
) -> None:
    ball = Ball(
        diameter_mm=60.0,
        centre_x_px=500.0,
        centre_y_px=500.0,
        width_px=120.0,
        height_px=110.0,
        angle_deg=0.0,
        mm_per_px=0.5,
        mm_per_px_error=0.002,
        found_by="person",
        doubts=doubts,
    )
    picture = draw_overlay(GREEN, replace(photo_with(), balls=(ball,)))
    turns = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    blue = np.abs(picture.astype(int) - MARK).max(axis=2) < 60
    rim = [(round(500 + 55 * np.sin(turn)), round(500 + 60 * np.cos(turn))) for turn in turns]
    marked = np.mean([blue[y - 1 : y + 2, x - 1 : x + 2].any() for y, x in rim])
    assert abs(marked - share) < 0.12


def test_a_small_overlay_has_the_same_outlines_at_its_size_and_no_words() -> None:
    content = small_overlay(GREEN, photo_with(SIZED, references=(MARKER,)), 600)
    small = np.asarray(PillowImage.open(BytesIO(content)), dtype=int)
    assert small.shape == (450, 600, 3)
    # The right end of the fruit's long axis: (400 + 60, 300) at half the size, in the light colour.
    at_edge = small[150, 228:233]
    assert abs(at_edge - LIGHT).sum(axis=1).min() < 90
    # Nothing is written along the lower edge.
    assert abs(small[-20:] - GREEN[0, 0]).max() < 20


def test_a_small_overlay_of_a_picture_that_is_small_already_has_its_outlines_in_place() -> None:
    halved = GREEN[::2, ::2]
    content = small_overlay(halved, photo_with(SIZED, references=(MARKER,)), 600)
    of_whole = small_overlay(GREEN, photo_with(SIZED, references=(MARKER,)), 600)
    small, large = (
        np.asarray(PillowImage.open(BytesIO(one)), dtype=int) for one in (content, of_whole)
    )
    assert small.shape == (450, 600, 3)
    assert abs(small - large).mean() < 1


def test_numbers_for_calipers_tell_no_millimetres() -> None:
    other_size = replace(SIZED, diameter_mm=55.5)
    drawn = [small_numbers(GREEN, photo_with(one), 600) for one in (SIZED, other_size)]
    assert drawn[0] == drawn[1]
    other_name = small_numbers(GREEN, photo_with(replace(SIZED, fruit_id="f888")), 600)
    assert drawn[0] != other_name
    # Fruit that were counted only have no number to caliper by.
    nothing = small_numbers(GREEN, photo_with(COUNTED), 600)
    picture = np.asarray(PillowImage.open(BytesIO(nothing)), dtype=int)
    assert abs(picture - GREEN[0, 0]).max() < 20

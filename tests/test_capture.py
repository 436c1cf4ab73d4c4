"""Whether a photo is good enough to go on: what the measurement doubts, top, sides, sun."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fruitvision.capture import (
    LOOKED_AT_PX,
    CaptureFault,
    check_capture,
    cut_at_sides,
    cut_at_top,
    is_into_sun,
    leaves_at_top,
)
from fruitvision.domain import Doubt, MeasuredPhoto
from fruitvision.fruit.detector import Image
from fruitvision.fruit.foliage import foliage
from fruitvision.photo import read_small
from fruitvision.share import shared_folder
from tests import records

LEAF, SKY, BLOWN = (60, 130, 40), (120, 170, 230), (255, 255, 255)
PALE = (197, 247, 255)
# 1500 px wide at 1.4 mm per px: 2.1 m.
MEASURED = records.measured("a")


def picture(*, sky: tuple[int, int, int] = SKY, from_row: int = 200) -> Image:
    """A hedge below a sky, 600 × 800 px."""
    image = np.full((800, 600, 3), sky, dtype=np.uint8)
    image[from_row:] = LEAF
    return image


def doubted(*doubts: Doubt, scale: bool = False) -> MeasuredPhoto:
    return replace(MEASURED, doubts=doubts, scale=MEASURED.scale if scale else None)


def test_a_whole_sharp_tree_with_a_marker_is_good() -> None:
    check = check_capture(MEASURED, picture(), tree_spacing_m=1.0)
    assert check.fault is None
    assert check.sides_known


@pytest.mark.parametrize(
    ("doubts", "fault"),
    [
        ((Doubt.BLURRED,), CaptureFault.BLURRED),
        ((Doubt.NO_MARKER, Doubt.BLURRED), CaptureFault.BLURRED),
        ((Doubt.TOO_DARK,), CaptureFault.TOO_DARK),
        ((Doubt.TOO_BRIGHT,), CaptureFault.TOO_BRIGHT),
        ((Doubt.NO_MARKER,), CaptureFault.NO_MARKER),
        ((Doubt.MARKER_CUT,), CaptureFault.MARKER_CUT),
        ((Doubt.MARKER_SMALL,), CaptureFault.MARKER_SMALL),
        ((Doubt.MARKER_TILTED,), CaptureFault.MARKER_TILTED),
        ((Doubt.MARKER_BENT,), CaptureFault.MARKER_UNCLEAR),
        ((Doubt.NO_DATE, Doubt.LENS_UNKNOWN), None),
    ],
)
def test_what_the_measurement_doubts_is_said_with_the_gravest_first(doubts, fault) -> None:
    assert check_capture(doubted(*doubts), picture()).fault is fault


def test_a_second_marker_that_is_cut_is_no_fault_beside_a_good_one() -> None:
    assert check_capture(doubted(Doubt.MARKER_CUT, scale=True), picture()).fault is None


def test_of_a_photo_without_a_tree_nothing_else_is_said() -> None:
    check = check_capture(doubted(Doubt.NO_TREE, Doubt.NO_MARKER), picture(from_row=0))
    assert check.faults == (CaptureFault.NO_TREE,)


def test_leaves_along_the_upper_edge_mean_that_the_top_is_cut_off() -> None:
    assert leaves_at_top(picture(from_row=0)) == 1.0
    assert cut_at_top(MEASURED, picture(from_row=0))
    assert not cut_at_top(MEASURED, picture(from_row=20))
    assert check_capture(MEASURED, picture(from_row=0)).fault is CaptureFault.TOP_CUT


def test_neighbours_that_reach_the_upper_edge_at_the_sides_are_no_matter() -> None:
    image = picture()
    image[:, :110] = image[:, -110:] = LEAF
    assert not cut_at_top(MEASURED, image)
    # A leader's tip of 5 % of the middle is no canopy; a limb of a fifth is.
    for width, cut in ((18, False), (72, True)):
        tip = picture()
        tip[:, 300 : 300 + width] = LEAF
        assert cut_at_top(MEASURED, tip) is cut


def test_a_sky_whose_blue_is_cut_short_is_no_canopy() -> None:
    # As in a sample photo made brighter by 6 %: 2g - r - b is 6 % of the whole.
    assert foliage(picture(sky=PALE)[:8]).all()
    assert not cut_at_top(MEASURED, picture(sky=PALE))


def test_two_fruit_at_the_upper_edge_mean_that_the_top_is_cut_off() -> None:
    at_top = replace(records.fruit(7), centre_y_px=10.0)
    for many, cut in ((1, False), (2, True)):
        assert cut_at_top(replace(MEASURED, fruit=(at_top,) * many), picture()) is cut
    behind = replace(at_top, on_this_row=False)
    aside = replace(at_top, centre_x_px=100.0)
    assert not cut_at_top(replace(MEASURED, fruit=(behind, behind, aside, aside)), picture())


def test_sides_are_cut_where_the_picture_is_narrower_than_a_trees_own_room() -> None:
    assert cut_at_sides(MEASURED, 2.0) is False
    assert cut_at_sides(MEASURED, 2.2) is True
    assert check_capture(MEASURED, picture(), tree_spacing_m=2.2).fault is CaptureFault.SIDES_CUT


def test_sides_are_not_judged_without_scale_or_spacing() -> None:
    assert cut_at_sides(MEASURED, None) is None
    assert cut_at_sides(doubted(Doubt.NO_MARKER), 2.0) is None
    assert not check_capture(MEASURED, picture()).sides_known


def test_a_dark_tree_before_a_blown_out_sky_is_taken_into_the_sun() -> None:
    image = picture(sky=BLOWN)
    assert not is_into_sun(image)
    image[200:] //= 3
    assert is_into_sun(image)
    # Dusk: as dark, and no bright sky.
    image[:200] = (90, 90, 110)
    assert not is_into_sun(image)


PHOTO = Path("photos") / "gala_r1_t35_A.jpg"


@pytest.mark.parametrize(("cut_away", "fault"), [(0.0, None), (0.3, CaptureFault.TOP_CUT)])
def test_a_sample_photo_is_whole_until_its_top_is_cut_away(cut_away, fault) -> None:
    small = read_small(shared_folder("samples") / PHOTO, LOOKED_AT_PX)
    cropped = small[round(cut_away * small.shape[0]) :]
    assert check_capture(MEASURED, cropped).fault is fault

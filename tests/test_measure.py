"""Outlines in px become fruit in mm, with their error and the doubts that stand against them."""

from dataclasses import replace

import numpy as np
import pytest

from fruitvision.domain import Doubt, Fruit, Photo, Scale
from fruitvision.fruit.detector import Detections
from fruitvision.fruit.measure import diameter_error_mm, measure_fruit, outline_error_px
from fruitvision.settings import Settings
from tests.scenes import Ball, Camera, photo_of, true_outline_px

CAMERA = Camera(width_px=1200, height_px=900, focal_px=1000.0)
DEPTH_MM = 1500.0


def detections(*rows: tuple[float, ...], share: float = 1.0) -> Detections:
    n = len(rows)
    return Detections(
        outlines=np.array(rows, dtype=float).reshape(n, 5),
        masks=tuple(np.ones((1, 1), dtype=bool) for _ in rows),
        mask_origins=np.zeros((n, 2), dtype=np.int64),
        visible_shares=np.full(n, share),
        scores=np.full(n, 0.9),
        on_this_row=np.ones(n, dtype=bool),
        boxes=np.array([(x - 1, y - 1, x + 1, y + 1) for x, y, *_ in rows]).reshape(n, 4),
    )


PHOTO = photo_of(CAMERA, lens_known=False)
SCALE = Scale(mm_per_px=1.5, mm_per_px_error=0.015, distance_mm=1500.0)


def measured(
    found: Detections, *, photo: Photo = PHOTO, scale: Scale | None = SCALE
) -> tuple[Fruit, ...]:
    return measure_fruit(found, photo=photo, scale=scale, settings=Settings())


def test_diameter_is_long_axis_times_scale():
    (fruit,) = measured(detections((600, 450, 48, 44, 10)))
    # 0.5 % less: nearer fruit gain more than farther ones lose.
    assert fruit.diameter_mm == pytest.approx(72.0 / 1.005)
    assert (fruit.width_px, fruit.height_px, fruit.angle_deg) == (48, 44, 10)
    assert fruit.doubts == ()


def test_error_is_outline_scale_and_depth_in_quadrature():
    # A whole fruit: 5.5 %; scale 1 %; depth 140 mm of 1400 mm is 10 %.
    scale = replace(SCALE, distance_mm=1400.0)
    (fruit,) = measured(detections((600, 450, 48, 44, 10)), scale=scale)
    assert fruit.diameter_error_mm == pytest.approx(
        72 * (0.055**2 + 0.01**2 + 0.10**2) ** 0.5, rel=1e-6
    )
    assert fruit.diameter_error_px == pytest.approx(0.055 * 48)


def test_a_fruit_far_smaller_than_the_others_hangs_in_a_row_behind():
    # The usual fruit is 48 px: 0.61 of that is 29.3 px.
    usual = [(100 + 100 * n, 450, 48, 44, 10) for n in range(6)]
    fruit = measured(detections(*usual, (800, 450, 29, 28, 0), (900, 450, 30, 28, 0)))
    by_place = sorted(fruit, key=lambda one: one.centre_x_px)
    assert [one.on_this_row for one in by_place] == [True] * 6 + [False, True]
    assert by_place[6].diameter_mm is None
    assert by_place[7].diameter_mm == pytest.approx(45.0 / 1.005)


def test_few_fruit_or_hidden_ones_do_not_tell_the_usual_size():
    few = [(100 + 100 * n, 450, 48, 44, 10) for n in range(3)]
    small = (900, 450, 20, 18, 0)
    assert all(one.on_this_row for one in measured(detections(*few, small)))
    hidden = detections(*few, *few, small, share=0.4)
    assert all(one.on_this_row for one in measured(hidden))


def test_without_a_distance_two_metres_are_taken():
    far = diameter_error_mm(
        48,
        0.055,
        scale=replace(SCALE, distance_mm=None),
        at_px=(600.0, 450.0),
        canopy_depth_sd_mm=120.0,
    )
    assert far == pytest.approx(72 * (0.055**2 + 0.01**2 + 0.06**2) ** 0.5, rel=1e-6)


def test_error_grows_as_less_is_seen():
    errors = [outline_error_px(48, share) for share in (1.0, 0.9, 0.8, 0.7)]
    # 5.5 % of 48 px where all is seen; with 0.30 * 0.30 = 9 % beside it where 30 % is hidden.
    assert errors == sorted(errors)
    assert errors[0] == pytest.approx(0.055 * 48)
    assert errors[-1] == pytest.approx((0.055**2 + 0.09**2) ** 0.5 * 48)


def test_off_axis_stretch_is_taken_out_where_the_lens_is_known():
    ball = Ball(centre_mm=(700, 500, DEPTH_MM), diameter_mm=72)
    outline = true_outline_px(CAMERA, ball)
    (fruit,) = measured(detections(tuple(outline)), photo=photo_of(CAMERA))
    assert outline[2] * 1.5 > 75
    assert fruit.diameter_mm == pytest.approx(72.0 / 1.005, rel=1e-3)


def test_fruit_are_numbered_from_the_top_down():
    fruit = measured(
        detections((900, 500, 48, 44, 0), (300, 100, 48, 44, 0), (200, 500, 48, 44, 0))
    )
    assert [one.fruit_id for one in fruit] == ["f001", "f002", "f003"]
    assert [one.centre_x_px for one in fruit] == [300, 200, 900]


def test_without_scale_fruit_are_counted_not_sized():
    (fruit,) = measured(detections((600, 450, 48, 44, 0)), scale=None)
    assert (fruit.diameter_mm, fruit.diameter_error_mm) == (None, None)
    assert fruit.doubts == (Doubt.NOT_SIZED,)


@pytest.mark.parametrize(
    ("outline", "cut"),
    [
        ((23.4, 450, 48, 44, 0), True),
        ((23.5, 450, 48, 44, 0), False),
        ((21.5, 450, 48, 44, 90), False),
        ((21.4, 450, 48, 44, 90), True),
        ((600, 877.6, 48, 44, 0), True),
        ((600, 877.5, 48, 44, 0), False),
    ],
)
def test_an_outline_that_leaves_the_picture_is_not_sized(outline, cut):
    (fruit,) = measured(detections(outline))
    assert (fruit.doubts == (Doubt.CUT_BY_EDGE,)) is cut
    assert (fruit.diameter_mm is None) is cut


def test_too_little_of_a_fruit_is_not_sized():
    (hidden,) = measured(detections((600, 450, 48, 44, 0), share=0.49))
    (seen,) = measured(detections((600, 450, 48, 44, 0), share=0.50))
    assert (hidden.diameter_mm, hidden.doubts) == (None, (Doubt.PARTLY_HIDDEN,))
    assert seen.diameter_mm is not None


def test_fruit_of_a_row_behind_are_kept_and_not_sized():
    found = replace(detections((600, 450, 48, 44, 0)), on_this_row=np.array([False]))
    (fruit,) = measured(found)
    assert not fruit.on_this_row
    assert (fruit.diameter_mm, fruit.doubts) == (None, (Doubt.NOT_SIZED,))


def test_no_detections_give_no_fruit():
    assert measured(detections()) == ()

"""Outlines in px become fruit in mm, with their error and the doubts that stand against them."""

from dataclasses import replace

import numpy as np
import pytest

from fruitvision.domain import DepthGrade, Doubt, Fruit, Photo, Scale
from fruitvision.fruit import measure
from fruitvision.fruit.detector import Detections
from fruitvision.fruit.measure import (
    LARGEST_OUTLINE_ERROR,
    diameter_error_mm,
    measure_fruit,
    outline_error_px,
    scatter_gain,
    sized_fruit,
    true_diameters_px,
)
from fruitvision.fruit.rim import Rims
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


@pytest.mark.parametrize(("share", "others", "behind"), [(0.5, 5, True), (0.5, 4, False)])
def test_five_fruit_seen_as_much_as_sized_ones_tell_the_usual_size(
    share: float, others: int, behind: bool
) -> None:
    # The small one is among the five.
    usual = [(100 + 100 * n, 450, 48, 44, 0) for n in range(others - 1)]
    fruit = measured(detections(*usual, (900, 450, 20, 18, 0), share=share))
    assert Settings().smallest_sized_share == share
    assert [one.on_this_row for one in fruit] == [True] * (others - 1) + [not behind]


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
        ((1175.6, 450, 48, 44, 0), True),
        ((1175.5, 450, 48, 44, 0), False),
        ((600, 21.4, 48, 44, 0), True),
        ((600, 21.5, 48, 44, 0), False),
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


def test_what_is_seen_of_a_fruit_stays_with_it():
    (fruit,) = measured(detections((600, 450, 48, 44, 10), share=0.8))
    assert (fruit.photo_id, fruit.score, fruit.visible_share) == (PHOTO.photo_id, 0.9, 0.8)


def test_outlines_fitted_in_the_picture_take_the_place_of_the_detectors(monkeypatch):
    # The rims say 60 px and not 48, with errors of 3 % and 8 %: the second is not sized.
    found = detections((300, 450, 48, 44, 0), (800, 450, 48, 44, 0))
    fitted = found.outlines.copy()
    fitted[:, 2] = 60.0
    picture = np.zeros((900, 1200, 3), dtype=np.uint8)

    def refined(given: np.ndarray, what: Detections) -> tuple[Detections, Rims]:
        assert given is picture
        assert what is found
        rims = Rims(outlines=fitted, errors=np.array([0.03, 0.08]), seen=np.ones(2))
        return replace(found, outlines=fitted), rims

    monkeypatch.setattr(measure, "refined", refined)
    sure, unsure = measure_fruit(
        found, photo=PHOTO, scale=SCALE, settings=Settings(), picture=picture
    )
    assert sure.diameter_mm == pytest.approx(90.0 / 1.005)
    assert sure.diameter_error_px == pytest.approx(0.03 * 60)
    assert unsure.diameter_error_px == pytest.approx(0.08 * 60)
    assert (unsure.diameter_mm, unsure.doubts) == (None, (Doubt.PARTLY_HIDDEN,))


def one_fruit() -> Fruit:
    (fruit,) = measured(detections((600, 450, 48, 44, 0)), scale=None)
    return replace(fruit, doubts=())


def sized(error: float, *, fitted: bool, scale: Scale = SCALE, fruit: Fruit | None = None) -> Fruit:
    return sized_fruit(
        fruit or one_fruit(),
        error,
        fitted=fitted,
        photo=PHOTO,
        scale=scale,
        settings=Settings(),
    )


def test_only_a_fitted_outline_is_refused_for_its_error_and_only_beyond_the_limit():
    assert sized(LARGEST_OUTLINE_ERROR, fitted=True).diameter_mm is not None
    assert sized(LARGEST_OUTLINE_ERROR + 1e-9, fitted=True).diameter_mm is None
    assert sized(LARGEST_OUTLINE_ERROR + 1e-9, fitted=False).diameter_mm is not None


def test_an_outline_that_errs_keeps_its_other_doubts():
    cut = replace(one_fruit(), centre_x_px=10.0)
    assert sized(0.09, fitted=True, fruit=cut).doubts == (Doubt.CUT_BY_EDGE, Doubt.PARTLY_HIDDEN)


def test_several_references_give_each_fruit_its_distance_and_no_scatter():
    # 1.5 mm per px at the anchor is 1500 mm; 400 px on, a slope of 0.0005 makes it 1.5 / 0.8.
    scale = replace(
        SCALE,
        grade=DepthGrade.REFERENCES,
        anchor_px=(200.0, 450.0),
        slope_per_px=(0.0005, 0.0),
    )
    fruit = sized(0.03, fitted=True, scale=scale)
    assert fruit.diameter_mm == pytest.approx(48 * 1.5 / 0.8)
    assert fruit.distance_mm == pytest.approx(1500 / 0.8)
    assert fruit.depth_grade is DepthGrade.REFERENCES
    plain = sized(0.03, fitted=True)
    assert (plain.distance_mm, plain.depth_grade) == (None, DepthGrade.ONE_PLANE)


def test_the_gain_by_scatter_is_the_squared_share_of_the_depth_up_to_its_limit():
    # The mean of 1/z for z = 2 m ± 100 mm is (1/2)(1 + 0.05²): second order of the series.
    assert scatter_gain(100.0, 2000.0) == pytest.approx(0.05**2)
    assert scatter_gain(100.0, None) == pytest.approx(0.05**2)
    assert scatter_gain(100.0, 4000.0) == pytest.approx(0.025**2)
    assert scatter_gain(400.0, 2000.0) == 0.005
    depths = np.array([1900.0, 2100.0])
    assert np.mean(2000 / depths) - 1 == pytest.approx(scatter_gain(100.0, 2000.0), rel=0.01)


def test_shares_beyond_nothing_and_all_count_as_those():
    assert outline_error_px(100.0, 1.4) == outline_error_px(100.0, 1.0)
    assert outline_error_px(100.0, -0.2) == outline_error_px(100.0, 0.0)


def test_no_outlines_have_no_diameters_even_where_the_lens_is_known():
    assert true_diameters_px(np.zeros((0, 5)), photo_of(CAMERA)).shape == (0,)

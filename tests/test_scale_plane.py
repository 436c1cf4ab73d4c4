"""Several references: the plane that they hang in, its error, and those at odds with the rest."""

from dataclasses import replace
from math import radians, tan

import numpy as np
import pytest

from fruitvision.domain import Ball, DepthGrade, Doubt
from fruitvision.errors import ScaleRefused
from fruitvision.scale import scale_from_all
from fruitvision.scale_plane import Sighting, at_odds, plane_through
from tests.scenes import Camera, photo_of
from tests.test_scale import reference

CAMERA = Camera(width_px=1800, height_px=2400, focal_px=1800.0)
PHOTO = photo_of(CAMERA)


def seen(x: float, y: float, mm_per_px: float, error: float = 0.004) -> Sighting:
    return Sighting(name=f"at {x}", x_px=x, y_px=y, mm_per_px=mm_per_px, mm_per_px_error=error)


def ball(x: float, y: float, mm_per_px: float, *doubts: Doubt) -> Ball:
    return Ball(
        diameter_mm=60.0,
        centre_x_px=x,
        centre_y_px=y,
        width_px=60 / mm_per_px,
        height_px=60 / mm_per_px,
        angle_deg=0.0,
        mm_per_px=mm_per_px,
        mm_per_px_error=0.004,
        found_by="person",
        doubts=doubts,
    )


def on_wall(x: float, y: float, lean_deg: float, at_middle: float = 1.2) -> float:
    """mm per px on a wall that comes nearer to the right: 1 / depth is linear in the picture."""
    return at_middle / (1 + tan(radians(lean_deg)) * (x - 900) / CAMERA.focal_px)


def test_equal_references_give_their_scale_everywhere() -> None:
    scale = plane_through([seen(200, 300, 1.2), seen(1500, 500, 1.2), seen(700, 2000, 1.2)], 1800)
    assert scale.grade is DepthGrade.REFERENCES
    for place in ((0, 0), (900, 1200), (1799, 2399)):
        assert scale.at(*place)[0] == pytest.approx(1.2)


def test_many_references_well_apart_show_how_the_wall_leans() -> None:
    places = [(x, y) for x in (150, 600, 1200, 1650) for y in (300, 1200, 2100)]
    scale = plane_through([seen(x, y, on_wall(x, y, 12)) for x, y in places], CAMERA.focal_px)
    for x, y in ((150, 300), (900, 1200), (1650, 2100)):
        mm_per_px, error = scale.at(x, y)
        assert abs(mm_per_px - on_wall(x, y, 12)) < 0.012 * 1.2
        assert abs(mm_per_px - on_wall(x, y, 12)) < 2 * error


def test_references_close_together_tell_no_slope() -> None:
    scale = plane_through([seen(880, 1200, 1.15), seen(920, 1200, 1.25)], CAMERA.focal_px)
    # Under 1 % from one edge of the picture to the other, where the two alone would say 400 %.
    assert abs(scale.slope_per_px[0]) * 1800 < 0.01
    assert scale.at(900, 1200)[0] == pytest.approx(1.2, rel=0.002)
    # 0.05 of 1.2 apart on either side: the error holds that spread.
    assert 0.02 < scale.mm_per_px_error < 0.06


def test_errors_are_as_large_as_they_say() -> None:
    rng = np.random.default_rng(3)
    steps = []
    for _ in range(400):
        lean = rng.normal(0, 8)
        places = rng.uniform((100, 200), (1700, 2200), (5, 2))
        sightings = [
            seen(x, y, on_wall(x, y, lean) * np.exp(rng.normal(0, 0.045) + rng.normal(0, 0.004)))
            for x, y in places
        ]
        scale = plane_through(sightings, CAMERA.focal_px)
        x, y = rng.uniform((300, 400), (1500, 2000))
        mm_per_px, error = scale.at(x, y)
        steps.append((mm_per_px - on_wall(x, y, lean)) / error)
    assert abs(np.mean(steps)) < 0.15
    assert 0.85 < np.std(steps) < 1.15


def test_one_of_many_that_disagrees_is_named_and_left_out() -> None:
    balls = [ball(200, 300, 1.2), ball(1500, 500, 1.23), ball(700, 2000, 1.18), ball(900, 900, 1.6)]
    scale, doubts, remarks = scale_from_all([], balls, PHOTO)
    assert scale is not None
    assert doubts == (Doubt.REFERENCE_LEFT_OUT,)
    assert scale.at(900, 900)[0] == pytest.approx(1.2, rel=0.02)
    (remark,) = remarks
    assert "ball of 60 mm at x 900, y 900 px says 1.6000" in remark


def test_of_two_that_disagree_both_are_named() -> None:
    with pytest.raises(ScaleRefused, match=r"x 200, y 300 .* x 900, y 900") as caught:
        scale_from_all([], [ball(200, 300, 1.2), ball(900, 900, 1.6)], PHOTO)
    assert "size of each" in caught.value.fix


def test_three_that_all_disagree_tell_nothing() -> None:
    three = [seen(100, 100, 1.0), seen(900, 900, 1.3), seen(500, 500, 1.7)]
    assert len(at_odds(three)) == 3


def test_balls_hung_at_the_depths_of_fruit_agree() -> None:
    # 2.2 m away, 150 mm apart in depth: 7 %.
    assert at_odds([seen(100, 100, 1.2), seen(900, 900, 1.284)]) == ()


def test_one_ball_gives_its_scale_everywhere() -> None:
    scale, doubts, _ = scale_from_all([], [ball(200, 300, 1.2)], PHOTO)
    assert scale is not None
    assert scale.grade is DepthGrade.ONE_PLANE
    assert scale.at(1700, 2300) == pytest.approx((1.2, 0.004))
    assert scale.distance_mm == pytest.approx(1.2 * CAMERA.focal_px)
    assert doubts == ()


def test_a_hidden_ball_gives_no_scale_and_says_so() -> None:
    hidden = ball(200, 300, 1.2, Doubt.BALL_HIDDEN)
    scale, doubts, remarks = scale_from_all([], [hidden], PHOTO)
    assert scale is None
    assert doubts == (Doubt.BALL_HIDDEN,)
    assert "x 200, y 300" in remarks[0]
    scale, doubts, _ = scale_from_all([reference(1.5)], [hidden], PHOTO)
    assert scale is not None
    assert scale.mm_per_px == 1.5
    assert doubts == ()


def test_a_marker_and_balls_are_taken_together() -> None:
    marker = replace(reference(1.20), mm_per_px_error=0.002)
    scale, _, _ = scale_from_all([marker], [ball(900, 900, 1.26), ball(1500, 300, 1.22)], PHOTO)
    assert scale is not None
    assert scale.grade is DepthGrade.REFERENCES
    assert 1.2 < scale.mm_per_px < 1.26

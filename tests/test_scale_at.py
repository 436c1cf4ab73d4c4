"""The scale over the picture: at one reference, and on a plane that leans."""

from math import hypot, radians, tan

import pytest

from fruitvision.domain import DepthGrade, Scale
from fruitvision.records import from_json, to_json

FOCAL_PX = 1800.0


def test_one_reference_gives_one_scale_everywhere() -> None:
    scale = Scale(mm_per_px=1.2, mm_per_px_error=0.02, distance_mm=2160.0)
    assert scale.grade is DepthGrade.ONE_PLANE
    assert scale.at(0, 0) == (1.2, 0.02)
    assert scale.at(1700, 2300) == pytest.approx((1.2, 0.02))
    assert scale.distance_at(1700, 2300) == pytest.approx(2160.0)


def test_a_leaning_plane_is_followed_exactly() -> None:
    # A wall at 2160 mm on the axis that comes nearer to the right, leaning by 20 degrees:
    # Z = 2160 - tan(20) X and X = Z x / f, so Z = 2160 / (1 + tan(20) x / f).
    slope = -tan(radians(20)) / FOCAL_PX
    scale = Scale(
        mm_per_px=1.2,
        mm_per_px_error=0.0,
        distance_mm=2160.0,
        anchor_px=(900, 1200),
        slope_per_px=(slope, 0.0),
    )
    for x in (-700, -200, 0, 400, 850):
        depth_mm = 2160 / (1 + tan(radians(20)) * x / FOCAL_PX)
        assert scale.at(900 + x, 55)[0] == pytest.approx(depth_mm / FOCAL_PX, rel=1e-12)
        assert scale.distance_at(900 + x, 55) == pytest.approx(depth_mm, rel=1e-12)


def test_the_error_grows_away_from_the_references() -> None:
    scale = Scale(
        mm_per_px=1.0,
        mm_per_px_error=0.01,
        anchor_px=(100, 100),
        slope_variances=(4e-10, 9e-10, 0.0),
    )
    assert scale.at(100, 100) == (1.0, 0.01)
    assert scale.at(600, 100)[1] == pytest.approx(hypot(0.01, 500 * 2e-5))
    assert scale.at(100, 600)[1] == pytest.approx(hypot(0.01, 500 * 3e-5))


def test_slopes_that_err_together_count_together() -> None:
    scale = Scale(mm_per_px=1.0, mm_per_px_error=0.0, slope_variances=(1e-10, 1e-10, -1e-10))
    assert scale.at(300, 300)[1] == pytest.approx(0.0, abs=1e-12)
    assert scale.at(300, -300)[1] == pytest.approx(300 * 2e-5)


def test_a_slope_never_leads_behind_the_camera() -> None:
    scale = Scale(mm_per_px=1.0, mm_per_px_error=0.01, slope_per_px=(0.01, 0.0))
    assert scale.at(5000, 0)[0] == 4.0
    assert scale.at(-5000, 0)[0] == 0.25


def test_a_scale_kept_before_it_could_lean_is_still_read() -> None:
    old = '{"distance_mm": null, "doubts": [], "mm_per_px": 1.5, "mm_per_px_error": 0.1}'
    scale = from_json(Scale, old)
    assert scale.at(9, 9) == (1.5, 0.1)
    assert from_json(Scale, to_json(scale)) == scale

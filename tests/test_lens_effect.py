"""What a bent lens costs in millimetres, on true outlines of simulated photos in low sun."""

from pathlib import Path

import pytest

from tests.bench.bench_lens import of_folder, of_phone

LOW_SUN = Path(__file__).parent / "orchards" / "low-sun"


def test_true_outlines_give_true_diameters_when_the_lens_is_known() -> None:
    without, left = of_folder(LOW_SUN)
    assert len(left) > 300
    assert abs(left.mean()) < 0.0002
    assert left.std() < 0.001
    # As if it were a pinhole: small, and largest in the outer third.
    assert 0.001 < without.errors.std() < 0.005
    assert 0.005 < abs(without.errors).max() < 0.015
    assert without.errors[without.out > 2 / 3].mean() > 0.003


def test_a_corner_drawn_one_percent_too_far_out_costs_seven_tenths_of_that() -> None:
    # k1 alone, marker in the middle, at the share s of the way to the corner: an axis that points
    # outwards grows by 3 s² times 1 %, one across by s². Along x, over a picture of 4 to 3, that is
    # 1/3 (3 * 0.64 + 0.36) = 0.76 % on average, a little less up to 60 px from the edge.
    effect = of_phone(0.01, 0.0)
    assert effect.errors.mean() == pytest.approx(0.0071, abs=0.0003)
    assert of_phone(0.0, 0.6).errors == pytest.approx(0, abs=1e-12)

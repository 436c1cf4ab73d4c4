"""Shares of size classes on the day of the walk, with their ranges."""

import numpy as np
import pytest
from scipy import stats

from fruitvision.domain import SizeDistribution
from fruitvision.settings import Settings
from fruitvision.size_shares import class_shares
from fruitvision.sizes import points, size_distribution
from tests.records import WALK, tree

LIMITS = [(f"{low:.0f}", low, low + 5.0) for low in np.arange(50.0, 100.0, 5.0)]


def _sizes(*, mean_error_mm: float = 0.0, spread_error: float = 0.0) -> SizeDistribution:
    quantiles = 75 + 5.5 * stats.norm.ppf(points(199))
    return SizeDistribution(
        measured_on=WALK,
        quantiles_mm=tuple(quantiles.tolist()),
        mean_mm=75.0,
        sd_mm=5.5,
        mean_error_mm=mean_error_mm,
        shared_error=0.0,
        spread_error=spread_error,
        fruit=500,
        trees=1000,
    )


def test_without_errors_the_shares_are_those_of_the_distribution() -> None:
    for one in class_shares(_sizes(), LIMITS, seed=1):
        true = stats.norm.cdf(one.high_mm, 75, 5.5) - stats.norm.cdf(one.low_mm, 75, 5.5)
        assert one.share.p50 == pytest.approx(true, abs=0.004)
        assert one.share.p10 == one.share.p90


def test_an_error_of_the_mean_moves_a_class_by_its_edges() -> None:
    # Above 85 mm lie 1 − Φ((85 − m)/5.5): with m = 75 ± 1.2816 mm (P10 to P90 at an error of 1).
    (above,) = class_shares(_sizes(mean_error_mm=1.0), [("85+", 85.0, np.inf)], seed=1)
    assert above.share.p10 == pytest.approx(stats.norm.sf(85, 75 - 1.2816, 5.5), abs=0.003)
    assert above.share.p90 == pytest.approx(stats.norm.sf(85, 75 + 1.2816, 5.5), abs=0.003)


def test_ranges_of_class_shares_come_true_eight_times_of_ten() -> None:
    settings = Settings(marker_depth_error_mm=0.0, outline_bias_error=0.0)
    true = np.diff(stats.norm.cdf(np.arange(50.0, 101.0, 5.0), 75, np.hypot(5, 2)))
    inside = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        trees = [
            tree(i, 60, diameters_mm=75 + rng.normal(0, 2) + rng.normal(0, 5, 25)
                 + rng.normal(0, 3, 25), error_mm=3.0)
            for i in range(20)
        ]  # fmt: skip
        sizes = size_distribution(trees, [], walked_on=WALK, settings=settings)
        assert sizes is not None
        assert len(sizes.bends_mm) == 2
        found = class_shares(sizes, LIMITS, seed=seed)
        inside += [
            one.share.p10 <= share <= one.share.p90
            for one, share in zip(found, true, strict=True)
            if share > 0.03
        ]
    assert np.mean(inside) == pytest.approx(0.8, abs=0.1)

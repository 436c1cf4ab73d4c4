"""The size distribution of a block, freed of noise and set right by calipers."""

import numpy as np
import pytest

from fruitvision.domain import Doubt
from fruitvision.settings import Settings
from fruitvision.sizes import size_distribution, weighted_quantiles
from tests.records import WALK, caliper, tree

SETTINGS = Settings()


def _sized_trees(rng: np.random.Generator, *, bias: float = 1.0) -> list:  # type: ignore[type-arg]
    return [
        tree(i, 60, diameters_mm=bias * (75 + rng.normal(0, 5.5, 50)) + rng.normal(0, 4, 50),
             error_mm=4.0)
        for i in range(20)
    ]  # fmt: skip


def test_measuring_noise_is_taken_out_of_the_spread() -> None:
    # True N(75, 5.5) seen with 4 mm noise: 7.1 % read above 85 mm, 3.5 % are (normal tables).
    rng = np.random.default_rng(5)
    sizes = size_distribution(_sized_trees(rng), [], walked_on=WALK, settings=SETTINGS)
    assert sizes is not None
    above = np.mean(np.array(sizes.quantiles_mm) > 85)
    assert sizes.sd_mm == pytest.approx(5.5, abs=0.4)
    assert above == pytest.approx(0.035, abs=0.015)
    assert Doubt.NO_CALIPERS in sizes.doubts


def test_calipers_correct_a_marker_that_hung_too_deep() -> None:
    rng = np.random.default_rng(6)
    readings = [caliper(i, float(d)) for i in range(8) for d in 75 + rng.normal(0, 5.5, 10)]
    trees = _sized_trees(rng, bias=1.05)
    blind = size_distribution(trees, [], walked_on=WALK, settings=SETTINGS)
    checked = size_distribution(trees, readings, walked_on=WALK, settings=SETTINGS)
    assert blind is not None
    assert checked is not None
    assert blind.mean_mm == pytest.approx(78.75, abs=0.6)
    assert checked.mean_mm == pytest.approx(75, abs=1.2)
    assert checked.shared_error < blind.shared_error / 2
    assert Doubt.NO_CALIPERS not in checked.doubts


def test_one_sized_fruit_is_no_distribution() -> None:
    trees = [tree(1, 3, diameters_mm=[70.0])]
    assert size_distribution(trees, [], walked_on=WALK, settings=SETTINGS) is None


def test_weighted_quantiles_are_numpys_where_all_weights_are_equal() -> None:
    rng = np.random.default_rng(7)
    values, at = rng.normal(75, 5, 57), np.linspace(0, 1, 23)
    found = weighted_quantiles(values, np.full(57, 3.5), at)
    assert found == pytest.approx(np.quantile(values, at), abs=1e-10)


def test_weighted_quantiles_lean_to_the_heavy_values() -> None:
    # Weights 1, 1, 8: middles of the weights at 0.5, 1.5, 6, from 0 to 1: 0, 2/11, 1.
    found = weighted_quantiles(
        np.array([70.0, 60.0, 80.0]), np.array([1.0, 1.0, 8.0]), np.array([0.0, 2 / 11, 1.0])
    )
    assert found == pytest.approx([60, 70, 80])

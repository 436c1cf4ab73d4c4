"""The size distribution of a block, freed of noise and set right by calipers."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from fruitvision.domain import Doubt, TreeSample
from fruitvision.settings import Settings
from fruitvision.size_mean import spread_by_hand
from fruitvision.sizes import size_distribution
from tests.records import WALK, caliper, tree

SETTINGS = Settings()


def _sized_trees(rng: np.random.Generator, *, bias: float = 1.0) -> list:  # type: ignore[type-arg]
    return [
        tree(i, 60, diameters_mm=bias * (75 + rng.normal(0, 5.5, 50)) + rng.normal(0, 4, 50),
             error_mm=4.0)
        for i in range(20)
    ]  # fmt: skip


def test_scenario_34_measuring_noise_is_taken_out_of_the_spread() -> None:
    # True N(75, 5.5) seen with 4 mm noise: 7.1 % read above 85 mm, 3.5 % are (normal tables).
    rng = np.random.default_rng(5)
    sizes = size_distribution(_sized_trees(rng), [], walked_on=WALK, settings=SETTINGS)
    assert sizes is not None
    above = np.mean(np.array(sizes.quantiles_mm) > 85)
    assert sizes.sd_mm == pytest.approx(5.5, abs=0.4)
    assert above == pytest.approx(0.035, abs=0.015)
    assert Doubt.NO_CALIPERS in sizes.doubts


def test_noise_that_grows_with_the_fruit_leaves_no_skew_behind() -> None:
    # True sizes are symmetric; read with 6 % of their own size, and so they state. The readings'
    # third moment is then 6·s²·n²/μ above 0, a skew of about 0.16 of theirs.
    rng = np.random.default_rng(8)
    trees = []
    for i in range(40):
        read = (75 + rng.normal(0, 5.5, 400)) * (1 + rng.normal(0, 0.06, 400))
        stated = tuple((0.06 * read).tolist())
        trees.append(replace(tree(i, 400, diameters_mm=read), diameter_errors_mm=stated))
    seen = np.concatenate([one.diameters_mm for one in trees])
    sizes = size_distribution(trees, [], walked_on=WALK, settings=SETTINGS)
    assert sizes is not None
    assert stats.skew(seen) == pytest.approx(0.165, abs=0.04)
    assert stats.skew(np.array(sizes.quantiles_mm)) == pytest.approx(0, abs=0.04)
    assert sizes.mean_mm == pytest.approx(seen.mean(), abs=1e-6)
    assert np.std(sizes.quantiles_mm) == pytest.approx(sizes.sd_mm, rel=1e-9)


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


@pytest.mark.parametrize(
    "trees",
    [
        [tree(1, 3, diameters_mm=[70.0, 71.0])],
        [tree(1, 3, diameters_mm=[70.0]), tree(2, 3, diameters_mm=[71.0]), tree(3, 3)],
        [tree(i, 9, diameters_mm=[70.0] * 9) for i in range(4)],
        [tree(i, 9, diameters_mm=[66.0 + i, 70.0, 74.0], error_mm=0.0) for i in range(4)],
        [tree(i, 9, diameters_mm=[66.0 + i, 70.0, 74.0], error_mm=30.0) for i in range(4)],
        [tree(i, 9, diameters_mm=[66.0 + i, 70.0, 300.0]) for i in range(4)],
    ],
    ids=["two fruit", "two trees", "all equal", "no error", "all noise", "one far off"],
)
def test_odd_readings_give_a_distribution_all_the_same(trees: list[TreeSample]) -> None:
    sizes = size_distribution(trees, [], walked_on=WALK, settings=SETTINGS)
    assert sizes is not None
    quantiles = np.array(sizes.quantiles_mm)
    assert np.all(np.isfinite(quantiles))
    assert np.all(np.diff(quantiles) >= -1e-9)
    assert quantiles.mean() == pytest.approx(sizes.mean_mm)
    assert 0 < sizes.spread_error <= 0.4 or sizes.sd_mm == 0


def test_one_sized_fruit_is_no_distribution() -> None:
    trees = [tree(1, 3, diameters_mm=[70.0])]
    assert size_distribution(trees, [], walked_on=WALK, settings=SETTINGS) is None


# ---------------------------------------------------------------- photos and calipers together


def _two_trees_by_hand(visible: tuple[int, int]) -> float:
    """Mean size of ten trees whose marker is not to be trusted; two of them are calipered, at
    about 60 mm and about 70 mm."""
    trees = [
        tree(i, visible[i] if i < 2 else 50, diameters_mm=[64.0, 66.0, 68.0]) for i in range(10)
    ]
    readings = [
        caliper(i, middle + d) for i, middle in ((0, 60.0), (1, 70.0)) for d in (-1.0, 0.0, 1.0)
    ]
    lost = replace(SETTINGS, marker_depth_error_mm=1e6)
    found = size_distribution(trees, readings, walked_on=WALK, settings=lost)
    assert found is not None
    return found.mean_mm


def test_a_calipered_tree_counts_by_its_fruit() -> None:
    # Three readings a tree, but the tree of small fruit bears three times as many.
    assert _two_trees_by_hand((50, 50)) == pytest.approx(65.0, abs=0.01)
    assert _two_trees_by_hand((75, 25)) == pytest.approx(0.75 * 60 + 0.25 * 70, abs=0.01)


def test_errors_of_photos_and_calipers_combine_as_those_of_two_witnesses() -> None:
    rng = np.random.default_rng(8)
    readings = [caliper(i, 75 + float(d)) for i in range(8) for d in rng.normal(0, 5.5, 10)]
    trees = _sized_trees(rng)
    photos = size_distribution(trees, [], walked_on=WALK, settings=SETTINGS)
    both = size_distribution(trees, readings, walked_on=WALK, settings=SETTINGS)
    assert photos is not None
    assert both is not None
    of_photos = photos.mean_error_mm**2 + (photos.shared_error * photos.mean_mm) ** 2
    by_hand = np.std([np.mean([r.diameter_mm for r in readings[i : i + 10]])
                      for i in range(0, 80, 10)], ddof=1) ** 2 / 8  # fmt: skip
    whole = both.mean_error_mm**2 + (both.shared_error * both.mean_mm) ** 2
    assert whole == pytest.approx(of_photos * by_hand / (of_photos + by_hand), rel=0.01)
    # What is left is the calipers' own: of eight trees, and of this block alone.
    assert both.freedom == 7
    assert both.shared_error * both.mean_mm < both.mean_error_mm / 3
    assert photos.freedom == 19


def test_two_calipered_trees_leave_a_range_with_a_mean() -> None:
    # One degree of freedom has no mean in a simulation; P10 to P90 is that of t all the same.
    trees = [tree(i, 50, diameters_mm=[64.0, 66.0, 68.0]) for i in range(10)]
    readings = [caliper(i, 60.0 + 10 * i + d) for i in range(2) for d in (-1.0, 1.0)]
    lost = replace(SETTINGS, marker_depth_error_mm=1e6)
    found = size_distribution(trees, readings, walked_on=WALK, settings=lost)
    assert found is not None
    assert found.freedom == 3
    # Means 60 and 70: error 5 mm, t(1) at 90 % is 3.0777 (printed tables).
    half = float(stats.t.ppf(0.9, 3)) * found.mean_error_mm
    assert half == pytest.approx(3.0777 * 5, rel=1e-3)


def test_the_spread_by_hand_is_within_and_between_trees() -> None:
    # Fifteen trees of two readings, 60, 66 or 72 ± 3 mm.
    readings = [
        caliper(10 * i + k, 60.0 + 6 * i + d) for k in range(5) for i in range(3) for d in (-3, 3)
    ]
    found = spread_by_hand(readings)
    # Mean squares: between, 2·(10·6²)/14; within, 15·(3² + 3²)/15 = 18. The variance is
    # MSW + (MSB − MSW)/2.
    msb = 2 * 10 * 36 / 14
    assert found.sd_mm**2 == pytest.approx(18 + (msb - 18) / 2)
    error = (2 * (msb / 2) ** 2 / 14 + 2 * 9**2 / 15) ** 0.5
    assert found.error == pytest.approx(error / (2 * found.sd_mm**2))


def test_the_stated_error_of_the_spread_by_hand_is_its_error() -> None:
    # 400 blocks of 8 trees × 10 fruit, trees 2 mm and fruit 4.6 mm: sd 5.016.
    rng = np.random.default_rng(9)
    found = []
    for _ in range(400):
        middles, fruit = rng.normal(70, 2, 8), rng.normal(0, 4.6, (8, 10))
        readings = [caliper(i, float(d)) for i in range(8) for d in middles[i] + fruit[i]]
        spread = spread_by_hand(readings)
        found.append((spread.sd_mm, spread.error))
    sd, stated = np.array(found).T
    assert sd.mean() == pytest.approx(5.016, abs=0.05)
    assert stated.mean() == pytest.approx(sd.std() / 5.016, rel=0.12)

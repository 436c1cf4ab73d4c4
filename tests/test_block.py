"""Hidden fruit, block total and the size distribution, with numbers worked out by hand."""

from datetime import timedelta

import numpy as np
import pytest

from fruitvision.block import estimate_block
from fruitvision.hidden import fit_hidden_fruit
from fruitvision.sizes import size_distribution
from fruitvision.domain import Block, Doubt, Protocol
from fruitvision.errors import FieldDataError
from fruitvision.settings import Settings
from tests.records import WALK, block, caliper, hand_count, tree

SETTINGS = Settings()


def test_worked_example_of_hidden_fruit() -> None:
    # Σ visible 480, Σ hand 720 on ten trees: 1.50; mean visible 56 on twenty trees: 84 per tree;
    # times 2,790 bearing trees: 234,360 (worked example, our arithmetic).
    seen = [40, 44, 46, 47, 48, 48, 49, 50, 52, 56]
    counted = [62, 65, 70, 69, 73, 72, 74, 74, 78, 83]
    rest = [64] * 10
    trees = [tree(i, v) for i, v in enumerate(seen + rest)]
    counts = [hand_count(i, c) for i, c in enumerate(counted)]
    assert sum(seen) == 480
    assert sum(counted) == 720
    farm_block = Block(
        block_id="Gala North", variety="Gala", positions=3000, missing=90, pollinizers=120
    )
    estimate = estimate_block(farm_block, trees, counts, [], SETTINGS)
    assert farm_block.bearing_trees == 2790
    assert estimate.factor is not None
    assert estimate.factor.factor == pytest.approx(1.5)
    assert estimate.fruit_per_tree_mean == pytest.approx(84)
    assert estimate.fruit_total.p50 == pytest.approx(234_360)
    assert estimate.fruit_total.p10 < 234_360 < estimate.fruit_total.p90


def test_few_trees_and_missing_hand_counts_are_said() -> None:
    estimate = estimate_block(block(), [tree(1, 40), tree(2, 50)], [], [], SETTINGS)
    assert estimate.factor is None
    assert estimate.fruit_per_tree_mean == 45
    assert {Doubt.FEW_TREES, Doubt.NO_HAND_COUNTS, Doubt.NO_SIZES} <= set(estimate.doubts)


def test_hand_counts_of_another_protocol_are_not_used_and_said() -> None:
    counts = [hand_count(i, 60, protocol=Protocol.ONE_FACE) for i in range(3)]
    factor, doubts = fit_hidden_fruit([tree(i, 40) for i in range(3)], counts)
    assert factor is None
    assert Doubt.OTHER_PROTOCOL in doubts


def test_a_hand_count_below_the_visible_count_is_used_and_named() -> None:
    counts = [hand_count(1, 30), hand_count(2, 70)]
    factor, doubts = fit_hidden_fruit([tree(1, 40), tree(2, 50)], counts)
    assert factor is not None
    assert factor.factor == pytest.approx(100 / 90)
    assert Doubt.HAND_BELOW_VISIBLE in doubts
    assert Doubt.FEW_HAND_COUNTS in doubts


def test_a_hand_count_of_another_month_is_not_paired() -> None:
    factor, doubts = fit_hidden_fruit(
        [tree(1, 40)], [hand_count(1, 60, on=WALK - timedelta(days=45))]
    )
    assert factor is None
    assert Doubt.NO_HAND_COUNTS in doubts


def test_one_hand_counted_tree_gives_a_very_wide_range() -> None:
    trees = [tree(i, v) for i, v in enumerate([38, 40, 42, 41, 39, 40, 43, 37])]
    estimate = estimate_block(block(), trees, [hand_count(1, 60)], [], SETTINGS)
    width = estimate.fruit_per_tree.p90 / estimate.fruit_per_tree.p50 - 1
    assert estimate.fruit_per_tree_mean == pytest.approx(60)
    assert width > 0.25


def test_no_fruit_at_all_is_zero_fruit() -> None:
    trees = [tree(i, 0) for i in range(3)]
    estimate = estimate_block(block(), trees, [hand_count(1, 0)], [], SETTINGS)
    assert estimate.fruit_total.p50 == 0


def test_no_tree_or_too_many_trees_are_refused() -> None:
    with pytest.raises(FieldDataError, match="No tree of Gala North"):
        estimate_block(block(), [], [], [], SETTINGS)
    with pytest.raises(FieldDataError, match="3 trees were photographed, but the register has 2"):
        estimate_block(block(trees=2), [tree(i, 4) for i in range(3)], [], [], SETTINGS)


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

"""What must hold of means, factors and crops for any numbers: order, scale, extremes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fruitvision.block import estimate_block
from fruitvision.domain import HandCount, TreeSample
from fruitvision.hidden_pool import BlockPairs, pool_pairs
from fruitvision.pooling import pool, shrink
from fruitvision.settings import Settings
from fruitvision.sizes import size_distribution
from fruitvision.survey import (
    Sampled,
    add_errors,
    cluster_mean,
    estimate_from,
    ratio_of_sums,
    sample_size,
    stratified_mean,
    with_tails,
)
from tests.records import WALK, block, hand_count, tree

SETTINGS = Settings()
NEAR = {"rel": 1e-9, "abs": 1e-12}
loads = st.integers(5, 200)
walks = st.lists(loads, min_size=4, max_size=12)
factors = st.floats(1.0, 3.0)


def walk_of(visible: list[int]) -> list[TreeSample]:
    return [tree(7 * number, one) for number, one in enumerate(visible, 1)]


def counts_of(trees: list[TreeSample], factor: float, number: int) -> list[HandCount]:
    return [
        hand_count(one.tree.position, round(factor * one.visible_count)) for one in trees[:number]
    ]


@given(
    st.lists(st.tuples(st.floats(1, 100), st.floats(1, 100)), min_size=2, max_size=9),
    st.randoms(use_true_random=False),
    st.floats(0.1, 10),
)
def test_a_ratio_is_that_of_any_order_within_its_pairs_and_scales(
    pairs: list[tuple[float, float]], rng: object, times: float
) -> None:
    x, y = zip(*pairs, strict=True)
    found = ratio_of_sums(x, y)
    mixed = list(pairs)
    rng.shuffle(mixed)  # type: ignore[attr-defined]
    again = ratio_of_sums(*zip(*mixed, strict=True))
    assert (again.ratio, again.error) == pytest.approx((found.ratio, found.error), **NEAR)
    singles = [b / a for a, b in pairs]
    assert min(singles) * (1 - 1e-12) <= found.ratio <= max(singles) * (1 + 1e-12)
    scaled = ratio_of_sums(x, [times * one for one in y])
    assert scaled.ratio == pytest.approx(times * found.ratio)
    assert scaled.error == pytest.approx(times * found.error, rel=1e-6, abs=1e-9)
    weighed = ratio_of_sums(x, y, weights=[times] * len(pairs))
    assert (weighed.ratio, weighed.error) == pytest.approx((found.ratio, found.error), **NEAR)


@given(
    st.lists(st.tuples(st.floats(-5, 5), st.floats(0.01, 4)), min_size=1, max_size=8),
    st.floats(0, 2),
    st.integers(0, 6),
    st.floats(-50, 50),
)
def test_a_pooled_mean_lies_between_its_groups_and_moves_with_them(
    groups: list[tuple[float, float]], spread: float, freedom: int, by: float
) -> None:
    values, variances = zip(*groups, strict=True)
    found = pool(values, variances, assumed_sd=spread, assumed_freedom=freedom)
    assert min(values) - 1e-9 <= found.mean <= max(values) + 1e-9
    assert found.mean_error > 0
    moved = pool([v + by for v in values], variances, assumed_sd=spread, assumed_freedom=freedom)
    assert moved.mean == pytest.approx(found.mean + by, abs=1e-6)
    # One group's own prediction lies between its own value and the mean of all.
    own = shrink(values[0], variances[0], found, degrees_of_freedom=5)
    low, high = sorted((values[0], found.mean))
    assert low - 1e-9 <= own.value <= high + 1e-9
    assert 0 <= own.own_weight <= 1
    assert own.error <= (variances[0] + found.mean_error**2) ** 0.5 * (1 + 1e-9)


pairs_of_a_block = st.lists(st.tuples(st.integers(20, 120), factors), min_size=1, max_size=6)


def of_block(name: str, pairs: list[tuple[int, float]]) -> BlockPairs:
    return BlockPairs(
        block_id=name,
        visible=tuple(float(x) for x, _ in pairs),
        counted=tuple(x * factor for x, factor in pairs),
    )


@given(pairs_of_a_block, st.lists(pairs_of_a_block, min_size=1, max_size=4), st.integers(1, 40))
def test_a_pooled_factor_lies_between_the_smallest_and_the_largest_of_its_blocks(
    own: list[tuple[int, float]], like: list[list[tuple[int, float]]], photographed: int
) -> None:
    blocks = [of_block(f"block {number}", pairs) for number, pairs in enumerate([own, *like])]
    found = pool_pairs(blocks[0], blocks[1:], photographed=[50.0] * (photographed + len(own)))
    singles = [one.factor for one in blocks]
    assert min(singles) * (1 - 1e-9) <= found.ratio.ratio <= max(singles) * (1 + 1e-9)
    assert 0 <= found.own_weight <= 1
    assert found.common_error <= found.ratio.error * (1 + 1e-9)
    other_way = pool_pairs(
        blocks[0], blocks[:0:-1], photographed=[50.0] * (photographed + len(own))
    )
    assert other_way.ratio.ratio == pytest.approx(found.ratio.ratio, rel=1e-9)


@given(
    st.lists(st.tuples(st.floats(0.01, 100), st.integers(1, 60)), min_size=1, max_size=6),
)
def test_errors_add_as_squares_with_freedom_between_the_least_and_the_sum(
    parts: list[tuple[float, int]],
) -> None:
    variances, freedoms = zip(*parts, strict=True)
    error, freedom = add_errors(variances, freedoms)
    assert error**2 == pytest.approx(sum(variances))
    # Satterthwaite 1946: the effective number lies between the smallest and the sum.
    assert min(freedoms) <= freedom <= sum(freedoms)


@given(st.floats(0, 1000), st.floats(0, 100), st.integers(1, 60), st.floats(0.1, 5))
def test_a_range_is_in_order_never_below_nothing_and_keeps_its_ends(
    value: float, error: float, freedom: int, times: float
) -> None:
    sampled = Sampled(value=value, error=error, degrees_of_freedom=freedom)
    found = estimate_from(sampled, times=times)
    assert 0 <= found.p10 <= found.p50 <= found.p90
    assert found.p50 == pytest.approx(value * times)
    tails = estimate_from(with_tails(sampled), times=times)
    assert (tails.p10, tails.p90) == pytest.approx((found.p10, found.p90), rel=1e-9, abs=1e-9)


@given(
    st.lists(
        st.lists(st.floats(0, 200), min_size=2, max_size=5),
        min_size=1,
        max_size=4,
    ),
    st.integers(6, 60),
)
def test_a_mean_over_strata_lies_within_them_and_a_census_has_no_error(
    samples: list[list[float]], size: int
) -> None:
    found = stratified_mean(samples, [size] * len(samples))
    means = [float(np.mean(one)) for one in samples]
    assert min(means) - 1e-9 <= found.value <= max(means) + 1e-9
    assert found.error <= stratified_mean(samples, [size] * len(samples), finite=False).error
    census = stratified_mean(samples, [len(one) for one in samples])
    assert census.error == 0


@given(
    st.lists(st.lists(st.floats(40, 90), max_size=5), min_size=2, max_size=8).filter(
        lambda trees: sum(bool(one) for one in trees) >= 2
    )
)
def test_trees_without_a_sized_fruit_change_no_mean(trees: list[list[float]]) -> None:
    found = cluster_mean(trees)
    filled = cluster_mean([one for one in trees if one])
    assert found == filled
    fruit = [mm for one in trees for mm in one]
    assert found.value == pytest.approx(float(np.mean(fruit)))


@given(st.floats(0.05, 1.5), st.floats(0.05, 0.5), st.integers(20, 5000))
def test_more_spread_or_a_narrower_range_never_asks_for_fewer_trees(
    cv: float, half_width: float, population: int
) -> None:
    needed = sample_size(cv, half_width=half_width)
    assert sample_size(1.3 * cv, half_width=half_width) >= needed
    assert sample_size(cv, half_width=0.8 * half_width) >= needed
    assert sample_size(cv, half_width=half_width, population=population) <= min(needed, population)


@given(walks, factors, st.integers(2, 4), st.randoms(use_true_random=False))
def test_a_block_is_the_same_in_whatever_order_its_rows_come(
    visible: list[int], factor: float, counted: int, rng: object
) -> None:
    trees = walk_of(visible)
    counts = counts_of(trees, factor, counted)
    found = estimate_block(block(), trees, counts, [], SETTINGS)
    rng.shuffle(trees)  # type: ignore[attr-defined]
    rng.shuffle(counts)  # type: ignore[attr-defined]
    again = estimate_block(block(), trees, counts, [], SETTINGS)
    for one, other in (
        (found.fruit_total, again.fruit_total),
        (found.fruit_per_tree, again.fruit_per_tree),
    ):
        assert (other.p10, other.p50, other.p90) == pytest.approx((one.p10, one.p50, one.p90))
    assert set(again.doubts) == set(found.doubts)


@given(walks, st.sampled_from([1.0, 1.25, 1.5, 2.0]), st.integers(2, 4))
def test_the_more_fruit_hide_the_larger_is_the_crop(
    visible: list[int], factor: float, counted: int
) -> None:
    trees = walk_of(visible)
    few = estimate_block(block(), trees, counts_of(trees, factor, counted), [], SETTINGS)
    more = estimate_block(block(), trees, counts_of(trees, factor + 0.5, counted), [], SETTINGS)
    assert more.fruit_total.p50 > few.fruit_total.p50
    assert few.fruit_total.p10 <= few.fruit_total.p50 <= few.fruit_total.p90


@given(walks, factors, st.integers(100, 3000))
def test_twice_the_trees_bear_twice_the_crop(
    visible: list[int], factor: float, positions: int
) -> None:
    trees = walk_of(visible)
    counts = counts_of(trees, factor, 3)
    assume(sum(count.fruit_count for count in counts) > 0)
    one = estimate_block(block(trees=positions), trees, counts, [], SETTINGS)
    two = estimate_block(block(trees=2 * positions), trees, counts, [], SETTINGS)
    assert two.fruit_per_tree_mean == pytest.approx(one.fruit_per_tree_mean)
    assert two.fruit_total.p50 == pytest.approx(2 * one.fruit_total.p50)


@given(st.lists(loads, min_size=4, max_size=9))
def test_twice_the_fruit_on_every_tree_are_twice_the_crop(visible: list[int]) -> None:
    trees = walk_of(visible)
    doubled = [replace(one, visible_count=2 * one.visible_count) for one in trees]
    found = estimate_block(block(), trees, [], [], SETTINGS)
    twice = estimate_block(block(), doubled, [], [], SETTINGS)
    assert twice.fruit_total.p50 == pytest.approx(2 * found.fruit_total.p50)
    counted = [hand_count(one.tree.position, 3 * one.visible_count) for one in trees[:3]]
    half = estimate_block(block(), trees, counted, [], SETTINGS)
    whole = estimate_block(
        block(),
        doubled,
        [replace(one, fruit_count=2 * one.fruit_count) for one in counted],
        [],
        SETTINGS,
    )
    assert whole.fruit_total.p50 == pytest.approx(2 * half.fruit_total.p50)


@settings(max_examples=10)
@given(
    st.lists(st.lists(st.floats(50, 90), min_size=1, max_size=6), min_size=2, max_size=6),
    st.floats(-8, 8),
)
def test_sizes_move_with_their_readings_and_their_quantiles_are_in_order(
    trees: list[list[float]], by: float
) -> None:
    def sizes_of(shift: float) -> tuple[float, tuple[float, ...]]:
        found = size_distribution(
            [
                tree(n, 30, diameters_mm=[mm + shift for mm in mms])
                for n, mms in enumerate(trees, 1)
            ],
            [],
            walked_on=WALK,
            settings=SETTINGS,
        )
        assert found is not None
        return found.mean_mm, found.quantiles_mm

    mean, quantiles = sizes_of(0.0)
    assert list(quantiles) == sorted(quantiles)
    assert float(np.mean(quantiles)) == pytest.approx(mean, rel=1e-6)
    assert mean == pytest.approx(float(np.mean([mm for mms in trees for mm in mms])), rel=1e-6)
    moved, _ = sizes_of(by)
    assert moved - mean == pytest.approx(by, abs=1e-6)

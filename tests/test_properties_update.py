"""What must hold of sizes behind readings and of what tickets teach, for any numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from fruitvision.harvest.condition import condition, told_by
from fruitvision.hidden_pool import BlockPairs, pool_pairs
from fruitvision.size_mixture import ReadSizes, TrueSizes, share_below, true_sizes

Array = NDArray[np.float64]
LIMITS_MM = np.array([55.0, 60.0, 65.0, 70.0, 75.0, 80.0, 85.0])
# The fit stops near its best: of a dozen fruit the share below a limit is then alike to 2 %.
NEAR_SHARE = 0.03

# ---------------------------------------------------------------- sizes behind readings

readings = st.lists(st.tuples(st.floats(50, 90), st.integers(0, 3)), min_size=4, max_size=12)


def behind(
    read_mm: Array, tree: NDArray[np.intp], weight: float = 1.0, by: float = 3.0
) -> TrueSizes:
    read = ReadSizes(
        read_mm=read_mm,
        errors_mm=np.full(len(read_mm), by),
        weights=np.full(len(read_mm), weight),
        tree=np.unique(tree, return_inverse=True)[1].ravel(),
    )
    rng = np.random.default_rng(1)
    return true_sizes(read, effective_fruit=len(read_mm), resamples=1, rng=rng)


def below(found: TrueSizes, times: float = 1.0) -> Array:
    return share_below(found.grid_mm, found.shares, times * LIMITS_MM)


@settings(max_examples=8)
@given(readings, st.randoms(use_true_random=False), st.floats(0.5, 20))
def test_sizes_are_those_of_any_order_of_fruit_and_any_unit_of_weight(
    read: list[tuple[float, int]], rng: object, weight: float
) -> None:
    found = behind(np.array([mm for mm, _ in read]), np.array([tree for _, tree in read]))
    mixed = list(read)
    rng.shuffle(mixed)  # type: ignore[attr-defined]
    sizes, trees = np.array([mm for mm, _ in mixed]), np.array([tree for _, tree in mixed])
    assert below(behind(sizes, trees)) == pytest.approx(below(found), abs=1e-4)
    assert below(behind(sizes, trees, weight)) == pytest.approx(below(found), abs=NEAR_SHARE)
    assert np.all(np.diff(below(found)) >= 0)
    assert found.shares.sum() == pytest.approx(1)
    assert np.all(found.shares >= 0)


@settings(max_examples=8)
@given(readings)
def test_readings_in_tenths_of_a_millimetre_are_ten_times_the_sizes(
    read: list[tuple[float, int]],
) -> None:
    sizes, trees = np.array([mm for mm, _ in read]), np.array([tree for _, tree in read])
    tenths = behind(10 * sizes, trees, by=30.0)
    assert below(tenths, 10.0) == pytest.approx(below(behind(sizes, trees)), abs=NEAR_SHARE)


# ---------------------------------------------------------------- what was picked teaches the rest

columns = st.integers(2, 5)


def drawn(number: int, seed: int) -> Array:
    """Logs of bins of passes that share half of their variance."""
    rng = np.random.default_rng(seed)
    own, shared = rng.normal(size=(60, number)), rng.normal(size=(60, 1))
    return np.asarray(np.log(50) + 0.2 * (own + shared))


@given(columns, st.integers(0, 99), st.floats(-1, 1), st.floats(0.01, 0.3))
def test_other_bins_in_other_units_teach_the_same(
    number: int, seed: int, moved: float, error: float
) -> None:
    logs = drawn(number, seed)
    units = np.linspace(-2, 2, number)
    noise = np.random.default_rng(seed + 1).normal(size=(len(logs), 1))
    value, errors = np.array([np.log(50) + moved]), np.array([error])
    found = condition(logs, [0], value, errors, noise)
    again = condition(logs + units, [0], value + units[0], errors, noise)
    assert again == pytest.approx(found + units, abs=1e-9)


@given(columns, st.integers(0, 99), st.floats(0.01, 1), st.floats(0.01, 0.3))
def test_more_bins_of_a_pass_raise_it_by_no_more_and_what_errs_with_it(
    number: int, seed: int, more: float, error: float
) -> None:
    logs = drawn(number, seed)
    noise, errors = np.zeros((len(logs), 1)), np.array([error])
    low = condition(logs, [0], np.array([np.log(50)]), errors, noise)
    high = condition(logs, [0], np.array([np.log(50) + more]), errors, noise)
    raised = (high - low).mean(axis=0)
    assert 0 < raised[0] < more
    for column in range(1, number):
        together = float(np.cov(logs[:, 0], logs[:, column])[0, 1])
        assert np.sign(raised[column]) == np.sign(together)
        assert (
            abs(raised[column]) <= more * abs(together) / float(np.var(logs[:, 0], ddof=1)) + 1e-9
        )


@given(columns, st.integers(0, 99), st.lists(st.floats(-1, 1), min_size=2, max_size=2))
def test_what_tickets_teach_adds_up_in_whatever_order_they_are_seen(
    number: int, seed: int, moved: list[float]
) -> None:
    logs = drawn(number, seed)
    values, errors = np.log(50) + np.array(moved), np.array([0.1, 0.05])
    noise = np.zeros((len(logs), 2))
    found = condition(logs, [0, 1], values, errors, noise)
    other_way = condition(logs, [1, 0], values[::-1], errors[::-1], noise)
    assert other_way == pytest.approx(found, abs=1e-9)
    last = logs[:, -1]
    told = told_by(last, logs, [0, 1], values, errors)
    assert told.sum() == pytest.approx(found[:, -1].mean() - last.mean(), abs=1e-9)


# ---------------------------------------------------------------- pooled factors

pairs_of_a_block = st.lists(
    st.tuples(st.integers(10, 200), st.floats(1.0, 3.0)), min_size=2, max_size=8
)


@given(st.lists(pairs_of_a_block, min_size=1, max_size=4), st.floats(0.3, 3), st.floats(0.3, 3))
def test_a_pooled_factor_goes_with_the_counts_and_against_what_is_seen(
    blocks: list[list[tuple[int, float]]], hand: float, photos: float
) -> None:
    """Twice the hand counts are twice the factor, twice the visible fruit half of it."""

    def pooled(hand: float, photos: float):  # type: ignore[no-untyped-def]
        own, *like = (
            BlockPairs(
                block_id=str(number),
                visible=tuple(photos * x for x, _ in pairs),
                counted=tuple(hand * x * factor for x, factor in pairs),
            )
            for number, pairs in enumerate(blocks)
        )
        return pool_pairs(own, like, photographed=[photos * 50.0] * 20)

    found, other = pooled(1.0, 1.0), pooled(hand, photos)
    assert other.ratio.ratio == pytest.approx(hand / photos * found.ratio.ratio, rel=1e-6)
    assert other.ratio.error == pytest.approx(hand / photos * found.ratio.error, rel=1e-6)
    assert other.ratio.residual_sd == pytest.approx(hand * found.ratio.residual_sd, rel=1e-6)
    assert other.own_weight == pytest.approx(found.own_weight, rel=1e-6)

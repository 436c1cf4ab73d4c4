"""Pooling of like groups: against a meta-analysis library, algebra and limits."""

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from fruitvision.pooling import between_variance, pool, shrink, unseen


def _groups(seed: int, k: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    variances = rng.uniform(0.001, 0.02, k)
    return rng.normal(0.4, (0.03 + variances) ** 0.5), variances


@pytest.mark.parametrize(("seed", "k"), [(s, k) for s in range(4) for k in (2, 3, 6, 15)])
def test_pooled_mean_and_spread_are_those_of_a_meta_analysis(seed: int, k: int) -> None:
    values, variances = _groups(seed, k)
    # Asked for more digits, the peer's iteration ends at 0 on some machines.
    peer = combine_effects(values, variances, method_re="iterated", atol=1e-10, maxiter=500)
    between = between_variance(values, variances)
    assert between == pytest.approx(float(peer.tau2), abs=1e-8)
    # What defines it: weighted squares are k − 1, or fewer where there is no spread.
    weights = 1 / (variances + between)
    squares = float(np.sum(weights * (values - np.average(values, weights=weights)) ** 2))
    assert squares == pytest.approx(k - 1) if between > 0 else squares <= k - 1
    pooled = pool(values, variances)
    assert pooled.mean == pytest.approx(peer.mean_effect_re, abs=1e-8)
    assert pooled.mean_error == pytest.approx(peer.sd_eff_w_re, abs=1e-8)


def test_groups_closer_than_their_errors_have_no_spread_between_them() -> None:
    assert between_variance([1.0, 1.01, 0.99], [0.1, 0.1, 0.1]) == 0.0


def test_equal_variances_by_hand() -> None:
    # s² of 1, 2, 3 is 1; t² = 1 − 0.25; the mean's error is sqrt(1/3).
    pooled = pool([1.0, 2.0, 3.0], [0.25] * 3)
    assert pooled.between_sd**2 == pytest.approx(0.75)
    assert pooled.mean_error == pytest.approx((1 / 3) ** 0.5)
    # 1 moves towards 2 by 0.25/(0.25 + 0.75); variance 0.25·0.75 + 0.25²/3.
    moved = shrink(1.0, 0.25, pooled, degrees_of_freedom=9)
    assert moved.value == pytest.approx(1.25)
    assert moved.error**2 == pytest.approx(0.1875 + 0.0625 / 3)
    assert moved.own_weight == pytest.approx(0.75)


@pytest.mark.parametrize("seed", range(4))
def test_the_moved_value_is_the_best_linear_prediction(seed: int) -> None:
    # Henderson's mixed-model equations: minimise Σ (y − m − u)²/v + Σ u²/t² over m and all u.
    values, variances = _groups(seed, 5)
    pooled = pool(values, variances, assumed_sd=0.1, assumed_freedom=4)
    between = pooled.between_sd**2
    design = np.column_stack([np.ones(5), np.eye(5)])
    left = design.T @ np.diag(1 / variances) @ design
    left[1:, 1:] += np.eye(5) / between
    solved = np.linalg.solve(left, design.T @ (values / variances))
    errors = np.linalg.inv(left)
    picks = np.array([1.0, 1.0, 0, 0, 0, 0])
    moved = shrink(values[0], variances[0], pooled, degrees_of_freedom=4)
    assert moved.value == pytest.approx(picks @ solved, abs=1e-8)
    assert moved.error**2 == pytest.approx(picks @ errors @ picks, abs=1e-8)
    # What two groups' predictions have in common is their covariance in the same equations.
    other = shrink(values[1], variances[1], pooled, degrees_of_freedom=4)
    together = picks @ errors @ np.array([1.0, 0, 1.0, 0, 0, 0])
    assert moved.common_error * other.common_error == pytest.approx(together, abs=1e-8)


def test_assumed_spread_counts_like_more_groups() -> None:
    # Two groups that agree: (1·0 + 4·0.01)/5.
    pooled = pool([0.5, 0.5], [0.01, 0.01], assumed_sd=0.1, assumed_freedom=4)
    assert pooled.between_sd**2 == pytest.approx(0.008)
    assert pooled.degrees_of_freedom == 5


def test_a_value_known_exactly_stays_and_an_unseen_group_is_the_mean_with_the_spread() -> None:
    pooled = pool([1.0, 2.0, 3.0], [0.25] * 3)
    assert shrink(1.0, 0.0, pooled, degrees_of_freedom=9).value == 1.0
    new = unseen(pooled)
    assert new.value == pytest.approx(2.0)
    assert new.error**2 == pytest.approx(0.75 + 1 / 3)
    assert new.own_weight == 0
    assert new.common_error == pooled.mean_error


@pytest.mark.parametrize(
    ("values", "variances"), [([], []), ([1.0, 2.0], [1.0]), ([1.0, 2.0], [1.0, 0.0])]
)
def test_impossible_groups_are_refused(values: list[float], variances: list[float]) -> None:
    with pytest.raises(ValueError, match=r"values with variances|must be above 0"):
        pool(values, variances)

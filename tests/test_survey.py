"""Survey arithmetic against printed results."""

import numpy as np
import pytest

from fruitvision.survey import (
    Sampled,
    cluster_mean,
    estimate_from,
    ratio_of_sums,
    sample_size,
    stratified_mean,
    two_stage_total,
)
from fruitvision.two_phase import two_phase_mean

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


def test_two_phase_ranges_cover_the_truth_as_often_as_they_claim() -> None:
    # 187 trees; 60 photographed, 15 of them hand-counted; 2,000 walks. An 80 % range must hold
    # the truth in 80 % of the walks (standard error of the count 0.9 points).
    rng = np.random.default_rng(1)
    hand = rng.gamma(19, 4, 187)
    visible = hand * rng.normal(0.6, 0.09, 187)
    inside = 0
    for _ in range(2000):
        photo = rng.permutation(187)[:60]
        pairs = photo[:15]
        result = two_phase_mean(
            visible[photo].tolist(),
            ratio_of_sums(visible[pairs].tolist(), hand[pairs].tolist()),
            population=187,
        )
        estimate = estimate_from(result)
        inside += estimate.p10 <= hand.mean() <= estimate.p90
    assert 0.77 <= inside / 2000 <= 0.83


def test_two_phase_error_is_zero_when_every_tree_is_counted() -> None:
    visible, hand = [4.0, 6.0, 5.0], [8.0, 11.0, 10.0]
    result = two_phase_mean(visible, ratio_of_sums(visible, hand), population=3)
    assert result.value == pytest.approx(np.mean(hand))
    assert result.error == pytest.approx(0.0)


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

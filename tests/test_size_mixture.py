"""True sizes behind readings of known error, on simulated truths."""

import numpy as np
import pytest
from scipy import stats

from fruitvision.size_fit import fits_of
from fruitvision.size_mixture import ReadSizes, TrueSizes, error_growth, share_below, true_sizes

EDGES_MM = np.arange(50.0, 101.0, 5.0)


def _found(
    read_mm: np.ndarray, errors_mm: np.ndarray, *, trees: int = 20, seed: int = 1
) -> TrueSizes:
    return true_sizes(
        ReadSizes(
            read_mm=read_mm,
            errors_mm=errors_mm,
            weights=np.ones(len(read_mm)),
            tree=np.arange(len(read_mm)) % trees,
        ),
        effective_fruit=float(len(read_mm)),
        resamples=200,
        rng=np.random.default_rng(seed),
    )


def _classes(found: TrueSizes) -> np.ndarray:
    return np.diff(share_below(found.grid_mm, found.shares, EDGES_MM))


def _two_peaks(rng: np.random.Generator, fruit: int) -> np.ndarray:
    return np.where(rng.random(fruit) < 0.45, rng.normal(67, 3, fruit), rng.normal(80, 3.2, fruit))


def _errors(rng: np.random.Generator, fruit: int, mean_mm: float) -> np.ndarray:
    """Standard errors that differ from fruit to fruit, of a given root mean square."""
    spread = np.exp(rng.normal(0, 0.25, fruit))
    return np.asarray(mean_mm * spread / np.sqrt(np.mean(spread**2)))


def test_few_blurred_readings_of_a_normal_truth_lie_near_it() -> None:
    # Eighty fruit drawn without any noise are 0.10 off in total variation.
    true = np.diff(stats.norm.cdf(EDGES_MM, 75, 5.5))
    off = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        found = _found(rng.normal(75, 5.5, 80) + rng.normal(0, 4, 80), np.full(80, 4.0))
        off.append(_classes(found) - true)
    assert np.abs(off).sum(axis=1).mean() / 2 < 0.10
    assert np.abs(np.mean(off, axis=0)).max() < 0.03


def test_the_smoothest_fit_is_the_normal_of_highest_likelihood() -> None:
    # Without noise to speak of: mean and standard deviation of the readings.
    rng = np.random.default_rng(4)
    read = rng.normal(75, 5, 400)
    grid = np.linspace(50, 100, 80)
    chances = stats.norm.pdf(read[:, None], grid, 1.0)
    smoothest = fits_of(chances, np.ones(400), (grid - 75) / 5)[0]
    mean = smoothest.shares @ grid
    sd = np.sqrt(smoothest.shares @ (grid - mean) ** 2)
    assert mean == pytest.approx(read.mean(), abs=0.05)
    assert sd == pytest.approx(np.sqrt(read.var() - 1), abs=0.1)


@pytest.mark.parametrize("noise_mm", [1.5, 4.0])
def test_classes_of_500_fruit_are_within_3_points(noise_mm: float) -> None:
    true = np.diff(stats.norm.cdf(EDGES_MM, 75, 5.5))
    off = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        errors = _errors(rng, 500, noise_mm)
        off.append(_classes(_found(rng.normal(75, 5.5, 500) + errors * rng.standard_normal(500),
                                   errors)) - true)  # fmt: skip
    worst = np.abs(off).max(axis=1)
    distance = np.abs(off).sum(axis=1) / 2
    assert worst.mean() < 0.022
    assert np.quantile(worst, 0.8) < 0.03
    assert distance.max() < 0.08
    assert np.abs(np.mean(off, axis=0)).max() < 0.01


def test_two_peaks_are_found_where_the_readings_show_one_hump() -> None:
    rng = np.random.default_rng(5)
    errors = _errors(rng, 1500, 4.0)
    found = _found(_two_peaks(rng, 1500) + errors * rng.standard_normal(1500), errors)
    shares = _classes(found)
    # 65-70, 70-75, 75-80: 26.5, 10.2 and 24.4 % are true; a normal of the same spread: 21, 24, 21.
    assert shares[4] < 0.75 * min(shares[3], shares[5])
    # The blurred readings themselves show hardly a dip.
    assert found.smoothing <= 0.1


def test_a_skewed_truth_stays_skewed() -> None:
    rng = np.random.default_rng(6)
    read = 84 - rng.gamma(3.0, 3.2, 800) + rng.normal(0, 3, 800)
    found = _found(read, np.full(800, 3.0))
    away = found.grid_mm - found.shares @ found.grid_mm
    sd = np.sqrt(found.shares @ away**2)
    # The gamma's skew is -2/sqrt(3) = -1.15; the readings' is (5.54/6.30)³ of it, -0.79.
    assert found.shares @ away**3 / sd**3 == pytest.approx(-1.15, abs=0.3)
    assert stats.skew(read) > -0.9


def test_fruit_that_are_known_better_count_for_more() -> None:
    # Half of the readings are sharp; those of the other half are four times as wide.
    rng = np.random.default_rng(7)
    errors = np.where(np.arange(600) % 2, 1.0, 8.0)
    found = _found(rng.normal(75, 5.5, 600) + errors * rng.standard_normal(600), errors)
    sd = np.sqrt(found.shares @ (found.grid_mm - found.shares @ found.grid_mm) ** 2)
    assert sd == pytest.approx(5.5, abs=0.5)


def test_resampled_trees_hold_the_truth_as_often_as_they_say() -> None:
    # Trees differ by 2 mm: independent fruit would make the range too narrow.
    inside, fruit = [], 480
    true = np.diff(stats.norm.cdf(EDGES_MM, 75, np.hypot(5, 2)))
    for seed in range(40):
        rng = np.random.default_rng(100 + seed)
        tree = np.arange(fruit) % 20
        means = 75 + rng.normal(0, 2, 20)
        read = means[tree] + rng.normal(0, 5, fruit) + rng.normal(0, 3, fruit)
        of_trees = np.array([read[tree == one].mean() for one in range(20)])
        effective = read.var() / (of_trees.var(ddof=1) / 20)
        found = true_sizes(
            ReadSizes(read_mm=read, errors_mm=np.full(fruit, 3.0), weights=np.ones(fruit),
                      tree=tree),
            effective_fruit=min(fruit, effective), resamples=200, rng=rng,
        )  # fmt: skip
        drawn = np.array(
            [np.diff(share_below(found.grid_mm, one, EDGES_MM)) for one in found.resampled]
        )
        low, high = np.quantile(drawn, (0.1, 0.9), axis=0)
        inside.append(((low <= true) & (true <= high))[true > 0.03])
    assert np.mean(inside) == pytest.approx(0.8, abs=0.08)


def test_a_heavy_fruit_stands_for_many() -> None:
    # 300 small and 300 large fruit; the large ones stand for three each.
    rng = np.random.default_rng(8)
    read = np.concatenate([rng.normal(65, 3, 300), rng.normal(80, 3, 300)])
    weights = np.repeat([1.0, 3.0], 300)
    found = true_sizes(
        ReadSizes(read_mm=read, errors_mm=np.full(600, 1.0), weights=weights,
                  tree=np.arange(600) % 20),
        effective_fruit=480.0, resamples=10, rng=rng,
    )  # fmt: skip
    assert share_below(found.grid_mm, found.shares, [72.5])[0] == pytest.approx(0.25, abs=0.02)


def test_stated_errors_are_taken_at_their_word_on_how_they_grow() -> None:
    rng = np.random.default_rng(9)
    read = rng.normal(75, 6, 300)
    assert error_growth(read, np.full(300, 4.0)) == 0.0
    assert error_growth(read, 0.05 * read) == pytest.approx(1.0)
    assert error_growth(read, 0.05 * read * np.exp(rng.normal(0, 0.1, 300))) > 0.7


def test_readings_without_error_or_alone_are_refused() -> None:
    with pytest.raises(ValueError, match="errors above 0"):
        _found(np.array([70.0, 75.0]), np.array([0.0, 1.0]), trees=2)
    with pytest.raises(ValueError, match="2 or more readings"):
        _found(np.array([70.0]), np.array([1.0]), trees=1)


def test_two_readings_give_a_distribution() -> None:
    found = _found(np.array([70.0, 75.0]), np.array([3.0, 3.0]), trees=2)
    assert found.shares.sum() == pytest.approx(1)
    assert found.resampled.sum(axis=1) == pytest.approx(np.ones(200))
    assert np.all(np.diff(found.quantiles_mm(np.array([0.1, 0.5, 0.9]))) > 0)


def test_fruit_of_one_tree_that_read_alike_give_a_distribution_about_them() -> None:
    found = _found(np.full(5, 72.0), np.full(5, 4.0), trees=1)
    assert found.shares @ found.grid_mm == pytest.approx(72.0, abs=0.5)
    assert np.isfinite(found.resampled).all()

"""The parts of the smooth mixture behind readings, with numbers worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fruitvision.size_fit import SMOOTHINGS, fits_of, shares_of
from fruitvision.size_mixture import (
    ReadSizes,
    TrueSizes,
    error_growth,
    share_below,
    true_sizes,
)
from fruitvision.size_shares import class_shares
from tests.forecast_records import exact_sizes, sizes

GRID = np.array([60.0, 62.0, 64.0])


def test_shares_lie_evenly_over_the_steps_of_the_grid() -> None:
    # Steps from 59 to 61, 61 to 63, 63 to 65 mm.
    shares = np.array([0.2, 0.5, 0.3])
    limits = [50, 59, 60, 61, 62, 63, 64, 65, 80]
    assert share_below(GRID, shares, limits) == pytest.approx(
        [0, 0, 0.1, 0.2, 0.45, 0.7, 0.85, 1, 1]
    )


def test_quantiles_are_the_other_way_round_also_across_a_step_without_fruit() -> None:
    found = TrueSizes(
        grid_mm=GRID,
        shares=np.array([0.2, 0.5, 0.3]),
        resampled=np.array([[0.5, 0.0, 0.5], [1.0, 0.0, 0.0]]),
        smoothing=1.0,
    )
    at = np.array([0.1, 0.45, 0.85])
    assert found.quantiles_mm(at) == pytest.approx([60.0, 62.0, 64.0])
    again = found.resampled_quantiles_mm(np.array([0.25, 0.75]))
    assert again == pytest.approx(np.array([[60.0, 64.0], [59.5, 60.5]]))
    none = replace(found, resampled=np.zeros((0, 3)))
    assert none.resampled_quantiles_mm(at).shape == (0, 3)


def test_errors_grow_with_the_power_that_they_state() -> None:
    mm = np.array([50.0, 60.0, 75.0, 90.0])
    for power in (0.0, 0.4, 1.0):
        assert error_growth(mm, 0.3 * mm**power) == pytest.approx(power, abs=1e-12)
    # Errors that fall, or grow faster than a share, are taken for alike and for a share.
    assert error_growth(mm, 200 / mm) == 0.0
    assert error_growth(mm, mm**2 / 1000) == 1.0
    assert error_growth(np.full(3, 70.0), np.array([1.0, 2.0, 3.0])) == 0.0


def test_shares_of_logs_add_up_whatever_their_level() -> None:
    logs = np.log([[1.0, 3.0, 4.0], [2.0, 2.0, 4.0]]) + np.array([[900.0], [-900.0]])
    assert shares_of(logs) == pytest.approx(np.array([[0.125, 0.375, 0.5], [0.25, 0.25, 0.5]]))


def test_the_smoothest_fit_of_normal_readings_is_their_normal_distribution() -> None:
    # Ten thousand readings without noise to speak of, at the quantiles of N(0, 1).
    z = np.linspace(-4, 4, 41)
    density = np.exp(-(z**2) / 2)
    chances = np.eye(41) + 1e-9
    weights = 10_000 * density / density.sum()
    first = fits_of(chances, weights, z)[0]
    assert first.smoothing == SMOOTHINGS[0] == 1e4
    assert first.shares == pytest.approx(density / density.sum(), abs=1e-6)
    # The penalty is on the third derivative: a parabola, as the log of a normal, costs nothing.
    assert first.penalty_root @ (2.0 - 0.7 * z - 0.5 * z**2) == pytest.approx(0.0, abs=1e-6)
    # Of z³ it is 6 all along: ∫ 36 dz = 36 · 8, less the ends of the grid (38 of 40 steps), times
    # the smoothing.
    cubic = first.penalty_root @ z**3
    assert cubic @ cubic / 1e4 == pytest.approx(36 * 8 * 38 / 40)


def test_at_the_fit_the_scores_balance_the_penalty() -> None:
    rng = np.random.default_rng(5)
    z = np.linspace(-4, 4, 41)
    read = rng.normal(0.3, 1.2, 200)
    chances = np.exp(-((read[:, np.newaxis] - z) ** 2) / (2 * 0.3**2))
    weights = np.full(200, 0.5)
    for fit in fits_of(chances, weights, z):
        joint = chances * fit.shares
        scores = joint / joint.sum(axis=1, keepdims=True) - fit.shares
        assert fit.scores == pytest.approx(scores)
        penalty = fit.penalty_root.T @ fit.penalty_root
        gradient = scores.T @ weights - penalty @ fit.log_shares
        # Value within 1e-4 of its top: a Newton step from here gains no more.
        assert gradient @ np.linalg.solve(fit.curvature, gradient) / 2 < 1e-3
        information = (scores * weights[:, np.newaxis]).T @ scores
        assert fit.curvature == pytest.approx(information + penalty + 1e-6 * np.eye(41))
        value = (
            weights @ np.log(chances @ fit.shares)
            - np.sum((fit.penalty_root @ fit.log_shares) ** 2) / 2
        )
        laplace = (38 * np.log(fit.smoothing) - np.linalg.slogdet(fit.curvature)[1]) / 2
        assert fit.evidence == pytest.approx(value + laplace, rel=1e-9)
        assert fit.log_shares.mean() == pytest.approx(0.0, abs=1e-9)


def read_of(mm: list[float], tree: list[int], *, error: float = 1.0) -> ReadSizes:
    return ReadSizes(
        read_mm=np.array(mm),
        errors_mm=np.full(len(mm), error),
        weights=np.ones(len(mm)),
        tree=np.array(tree),
    )


@pytest.mark.parametrize(
    "wrong",
    [
        read_of([70.0], [0]),
        read_of([70.0, 0.0], [0, 1]),
        replace(read_of([70.0, 71.0], [0, 1]), errors_mm=np.array([1.0, 0.0])),
    ],
    ids=["one reading", "no size", "no error"],
)
def test_readings_that_cannot_be_are_refused(wrong: ReadSizes) -> None:
    with pytest.raises(ValueError, match="2 or more readings and errors above 0"):
        true_sizes(wrong, effective_fruit=2.0, resamples=4, rng=np.random.default_rng(0))


def test_weights_count_like_repeated_readings_and_their_unit_is_free() -> None:
    mm, tree = [66.0, 70.0, 73.0, 75.0], [0, 0, 1, 2]
    weighed = replace(read_of(mm, tree), weights=np.array([4.0, 2.0, 6.0, 2.0]))
    repeated = read_of([66.0, 66.0, 70.0, 73.0, 73.0, 73.0, 75.0], [0, 0, 0, 1, 1, 1, 2])
    found, again = (
        true_sizes(one, effective_fruit=7.0, resamples=40, rng=np.random.default_rng(3))
        for one in (weighed, repeated)
    )
    assert found.grid_mm == pytest.approx(again.grid_mm)
    assert found.shares == pytest.approx(again.shares)
    assert found.resampled == pytest.approx(again.resampled)
    assert found.smoothing == again.smoothing
    assert found.shares.sum() == pytest.approx(1.0)
    assert found.resampled.shape == (40, len(found.grid_mm))
    # The mean of the mixture is that of the readings: (2·66 + 70 + 3·73 + 75)/7.
    assert found.grid_mm @ found.shares == pytest.approx(496 / 7, abs=0.3)


def test_the_grid_holds_every_reading_in_steps_of_a_fifth_of_the_spread() -> None:
    rng = np.random.default_rng(6)
    mm = rng.normal(72, 5, 400).tolist()
    found = true_sizes(
        read_of(mm, list(range(400))),
        effective_fruit=400.0,
        resamples=2,
        rng=np.random.default_rng(0),
    )
    true_sd = (np.var(mm) - 1.0) ** 0.5
    assert np.diff(found.grid_mm) == pytest.approx(np.diff(found.grid_mm)[0])
    # Four standard deviations to either side of the mean, a step and the ends more.
    assert found.grid_mm[0] == pytest.approx(np.mean(mm) - 4 * true_sd, abs=0.05)
    assert found.grid_mm[-1] == pytest.approx(np.mean(mm) + 4 * true_sd, abs=0.05)
    assert len(found.grid_mm) == 41
    # One read far off makes it longer, up to a hundred steps.
    far = true_sizes(
        read_of([*mm, 250.0], list(range(401))),
        effective_fruit=401.0,
        resamples=2,
        rng=np.random.default_rng(0),
    )
    assert far.grid_mm[-1] == pytest.approx(250.0, abs=0.2)
    assert len(far.grid_mm) <= 100


# ---------------------------------------------------------------- shares of classes


def test_without_errors_the_classes_are_those_of_the_quantiles() -> None:
    # 199 equally probable diameters: below the 100th lie 99.5 of 199.
    exact = exact_sizes(mean_mm=70.0)
    middle = exact.quantiles_mm[99]
    low, high = class_shares(
        exact,
        [("small", float("-inf"), middle), ("large", middle, float("inf"))],
        seed=1,
    )
    assert (low.name, low.low_mm, low.high_mm) == ("small", float("-inf"), middle)
    for one in (low, high):
        assert (one.share.p10, one.share.p50, one.share.p90) == pytest.approx((0.5, 0.5, 0.5))


def test_each_error_by_itself_widens_the_classes_as_much_as_it_is_large() -> None:
    # At the mean of a normal the share below it moves by 0.0798 a mm for a spread of 5 mm.
    exact = exact_sizes(mean_mm=70.0)
    below = [("small", float("-inf"), 70.0)]

    def width(**errors: float) -> float:
        (one,) = class_shares(replace(exact, **errors), below, seed=3)  # type: ignore[arg-type]
        return one.share.p90 - one.share.p10

    # 1.2816 standard errors to either side, of 1,000 draws.
    assert width() == pytest.approx(0.0, abs=1e-9)
    of_mean = width(mean_error_mm=0.7, degrees_of_freedom=1000)
    assert of_mean == pytest.approx(2 * 1.2816 * 0.7 * 0.0798, rel=0.12)
    of_scale = width(shared_error=0.01)
    assert of_scale == pytest.approx(2 * 1.2816 * 0.7 * 0.0798, rel=0.12)
    # The spread moves no share at the mean, and moves those of a tail.
    assert width(spread_error=0.1) == pytest.approx(0.0, abs=0.002)
    (tail,) = class_shares(
        replace(exact, spread_error=0.1), [("tail", float("-inf"), 65.0)], seed=3
    )
    # Φ(-1/1.137) - Φ(-1·1.137): P10 to P90 of the stretch.
    assert tail.share.p90 - tail.share.p10 == pytest.approx(0.1896 - 0.1277, rel=0.12)


def test_bends_move_the_shape_and_not_its_order() -> None:
    bent = replace(sizes(), bends_mm=((-2.0, 0.0, 2.0),))
    limits = [("a", 0.0, 66.0), ("b", 66.0, 70.0), ("c", 70.0, 200.0)]
    plain, moved = class_shares(sizes(), limits, seed=2), class_shares(bent, limits, seed=2)
    assert moved[1].share.p90 - moved[1].share.p10 > plain[1].share.p90 - plain[1].share.p10
    for one in moved:
        assert one.share.p10 <= one.share.p50 <= one.share.p90

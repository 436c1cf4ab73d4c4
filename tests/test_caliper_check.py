"""Photo millimetres against calipers: offset, slope, noise, strays, the printed sheet."""

from dataclasses import replace

import numpy as np
import pytest

from fruitvision.caliper_check import (
    CALIPER_ERROR_MM,
    USUAL_DISTANCE_MM,
    MatchedPair,
    check_calipers,
    print_words,
    without_strays,
)
from fruitvision.caliper_plot import caliper_plot, plot_limits_mm
from fruitvision.domain import CaliperCheck, Doubt
from fruitvision.pair_noise import PairNoise, least_squares
from fruitvision.settings import Settings
from fruitvision.sizes import points, size_distribution
from tests.records import WALK, caliper, tree

SETTINGS = Settings()


def _pairs(
    rng: np.random.Generator,
    number: int,
    *,
    factor: float = 1.0,
    shift_mm: float = 0.0,
    noise_mm: float = 4.0,
    stated_mm: float = 4.0,
    photos: int = 5,
    common_mm: float = 0.0,
) -> list[MatchedPair]:
    """Fruit of N(75, 5.5) as photos and calipers read them."""
    photo = np.arange(number) % photos
    true = rng.normal(75, 5.5, number)
    of_photo = common_mm * rng.standard_normal(photos)[photo]
    read = factor * true + shift_mm + of_photo + noise_mm * rng.standard_normal(number)
    by_hand = true + CALIPER_ERROR_MM * rng.standard_normal(number)
    return [
        MatchedPair(photo_id=f"p{photo[i]}", fruit_id=f"f{i:03d}", photo_mm=float(read[i]),
                    photo_error_mm=stated_mm, caliper_mm=float(by_hand[i]))
        for i in range(number)
    ]  # fmt: skip


def _pair(photo_mm: float, caliper_mm: float, *, photo: str = "a", error: float = 4) -> MatchedPair:
    return MatchedPair(photo_id=photo, fruit_id=f"{photo_mm}", photo_mm=photo_mm,
                       photo_error_mm=error, caliper_mm=caliper_mm)  # fmt: skip


# ---------------------------------------------------------------- the line


def test_no_pair_is_no_correction_at_all() -> None:
    check = check_calipers([], SETTINGS)
    assert check == CaliperCheck()
    assert check.true_mm(71.3) == 71.3
    trees = [tree(i, 60, diameters_mm=75 + np.random.default_rng(i).normal(0, 6, 30))
             for i in range(10)]  # fmt: skip
    sizes = [
        size_distribution(trees, [], walked_on=WALK, settings=SETTINGS, check=one)
        for one in (None, check)
    ]
    assert sizes[0] is not None
    assert sizes[1] == replace(sizes[0], caliper_check=check)


def test_one_pair_is_the_mean_of_two_witnesses() -> None:
    # One fruit of 80 mm reads 84: before it, bias 0 ± e; by it, 4 ± 4 mm (and the caliper's 0.5).
    check = check_calipers([_pair(84.0, 80.0)], SETTINGS)
    expected = np.hypot(SETTINGS.marker_depth_error_mm / USUAL_DISTANCE_MM,
                        SETTINGS.outline_bias_error) * 80  # fmt: skip
    # The noise factor is averaged over what it may be, which moves the weight a little.
    weight = expected**2 / (expected**2 + 16.25)
    assert check.bias_mm == pytest.approx(4 * weight, rel=0.05)
    assert check.bias_error_mm == pytest.approx(expected * (1 - weight) ** 0.5, rel=0.05)
    assert check.noise_factor == pytest.approx(1.0, abs=0.05)


def test_few_pairs_are_shrunk_and_many_are_believed() -> None:
    found = []
    for number in (1, 3, 10, 60):
        checks = [
            check_calipers(_pairs(np.random.default_rng(seed), number, factor=1.06), SETTINGS)
            for seed in range(12)
        ]
        found.append(float(np.mean([one.bias_mm for one in checks])))
    # 6 % of 75 mm are 4.5 mm.
    assert found == sorted(found)
    assert 0.5 < found[0] < 3.2
    assert found[-1] == pytest.approx(4.5, abs=0.3)


def test_the_stated_errors_of_the_line_are_its_errors() -> None:
    off = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        check = check_calipers(_pairs(rng, 25, factor=0.97, common_mm=1.0), SETTINGS)
        off.append((check.photo_mm(75.0) - 0.97 * 75) / check.error_mm(75.0))
    assert np.mean(off) == pytest.approx(0, abs=0.35)
    assert 0.65 < np.std(off) < 1.15


def test_slope_and_offset_come_back_where_noise_is_small() -> None:
    rng = np.random.default_rng(4)
    settings = replace(SETTINGS, marker_depth_error_mm=800.0)
    check = check_calipers(
        _pairs(rng, 150, factor=1.1, shift_mm=-6, noise_mm=1, stated_mm=1, photos=30), settings
    )
    # An ordinary regression on the caliper itself would read the slope 0.8 % low.
    assert check.slope == pytest.approx(1.1, abs=0.03)
    assert check.photo_mm(75) == pytest.approx(1.1 * 75 - 6, abs=0.3)
    assert check.true_mm(check.photo_mm(66.6)) == pytest.approx(66.6)
    assert check.offset_mm == pytest.approx(check.photo_mm(0.0))


@pytest.mark.parametrize(("true_mm", "stated_mm"), [(4.0, 4.0), (4.0, 3.0), (3.0, 5.0)])
def test_many_pairs_tell_the_noise_few_leave_the_stated_one(
    true_mm: float, stated_mm: float
) -> None:
    def factor(number: int) -> float:
        return float(np.mean([
            check_calipers(_pairs(np.random.default_rng(seed), number, noise_mm=true_mm,
                                  stated_mm=stated_mm), SETTINGS).noise_factor
            for seed in range(8)
        ]))  # fmt: skip

    many, few = factor(80), factor(2)
    assert many * stated_mm == pytest.approx(true_mm, rel=0.1)
    assert abs(np.log(few)) < 0.5 * abs(np.log(true_mm / stated_mm)) + 0.05


def test_fruit_of_one_photo_count_for_less_where_they_err_together() -> None:
    rng = np.random.default_rng(8)
    together = check_calipers(_pairs(rng, 40, photos=4, noise_mm=2, common_mm=3), SETTINGS)
    rng = np.random.default_rng(8)
    apart = check_calipers(_pairs(rng, 40, photos=40, noise_mm=3.6), SETTINGS)
    assert together.bias_error_mm > 1.5 * apart.bias_error_mm


def test_least_squares_with_noise_common_to_photos_is_that_of_the_whole_covariance() -> None:
    rng = np.random.default_rng(10)
    photo = np.array([0, 1, 1, 2, 2, 2, 0, 3])
    noise = PairNoise(own=rng.uniform(1, 3, 8), common=rng.uniform(0, 2, 8), photo=photo)
    whole = np.diag(noise.own) + np.outer(noise.common, noise.common) * (photo[:, None] == photo)
    x, y = np.column_stack([np.ones(8), rng.normal(0, 5, 8)]), rng.normal(0, 3, 8)
    inverse = np.linalg.inv(whole)
    covariance = np.linalg.inv(x.T @ inverse @ x)
    found, errors, left = least_squares(x, y, noise)
    assert found == pytest.approx(covariance @ x.T @ inverse @ y)
    assert errors == pytest.approx(np.sqrt(np.diag(covariance)))
    assert left == pytest.approx((y - x @ found) @ inverse @ (y - x @ found))
    assert noise.log_size == pytest.approx(np.linalg.slogdet(whole)[1])
    _, endless, _ = least_squares(np.ones((8, 2)), y, noise)
    assert np.all(np.isinf(endless))


# ---------------------------------------------------------------- strays, the print


def test_a_pair_of_two_fruit_is_left_out_and_counted() -> None:
    rng = np.random.default_rng(5)
    pairs = _pairs(rng, 12)
    wrong = _pair(61.0, 92.0)
    check = check_calipers([*pairs, wrong], SETTINGS)
    assert (check.pairs, check.left_out) == (12, 1)
    assert check == replace(check_calipers(pairs, SETTINGS), left_out=1)
    assert without_strays([wrong], SETTINGS) == ()


def test_photos_that_are_all_off_are_no_strays() -> None:
    pairs = _pairs(np.random.default_rng(6), 12, factor=1.3)
    assert len(without_strays(pairs, SETTINGS)) == 12


def test_a_sheet_printed_to_fit_the_page_is_noticed() -> None:
    # At 97 % photos read 1/0.97 = 3.1 % large.
    called = []
    for seed in range(20):
        check = check_calipers(
            _pairs(np.random.default_rng(seed), 30, factor=1 / 0.97, noise_mm=2.5, stated_mm=2.5),
            SETTINGS,
        )
        called.append(check.printed_scale is not None)
        if check.printed_scale is not None:
            assert check.printed_scale == pytest.approx(0.97, abs=0.012)
            assert check.doubts == (Doubt.SHEET_SCALE,)
            assert "Measure the printed side with the ruler on the sheet" in print_words(check)
            assert "% large" in print_words(check)
    assert np.mean(called) > 0.8


def test_outlines_drawn_two_percent_tight_are_no_wrong_print() -> None:
    pairs = _pairs(np.random.default_rng(2), 60, factor=0.98, noise_mm=1.5, stated_mm=1.5)
    assert check_calipers(pairs, SETTINGS).printed_scale is None
    far = _pairs(np.random.default_rng(2), 60, factor=0.95, noise_mm=1.5, stated_mm=1.5)
    assert "% small" in print_words(check_calipers(far, SETTINGS))


def test_a_right_print_is_seldom_called_wrong() -> None:
    called = [
        check_calipers(_pairs(np.random.default_rng(seed), 30), SETTINGS).printed_scale is not None
        for seed in range(40)
    ]
    assert np.mean(called) <= 0.1
    assert print_words(check_calipers([], SETTINGS)) == ""


def test_a_shift_of_all_outlines_is_no_matter_of_the_print() -> None:
    # Sizes from 40 to 95 mm tell a shift from a factor.
    called = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        pairs = [_pair(float(mm + 4 + rng.normal(0, 1)), float(mm), photo=str(i), error=1)
                 for i, mm in enumerate(rng.uniform(40, 95, 40))]  # fmt: skip
        called.append(check_calipers(pairs, SETTINGS).printed_scale is not None)
    assert sum(called) <= 1


# ---------------------------------------------------------------- in the sizes


def _walk(rng: np.random.Generator, *, factor: float = 1.0, stated_mm: float = 4.0) -> list:  # type: ignore[type-arg]
    return [
        tree(i, 60, diameters_mm=factor * (75 + rng.normal(0, 5.5, 50)) + rng.normal(0, 4, 50),
             error_mm=stated_mm)
        for i in range(20)
    ]  # fmt: skip


def _above(sizes_mm: tuple[float, ...], limit_mm: float) -> float:
    return 1 - float(np.interp(limit_mm, sizes_mm, points(len(sizes_mm))))


def test_noise_known_from_25_pairs_leaves_the_true_share_above_85_mm() -> None:
    # True N(75, 5.5): 3.5 % above 85 mm; read with 4 mm noise 7.1 %. The pairs' own noise of 4 mm
    # leaves the mean known to 0.8 mm, which is a point of that share.
    found = []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        check = check_calipers(_pairs(rng, 25), SETTINGS)
        sizes = size_distribution(_walk(rng), [], walked_on=WALK, settings=SETTINGS, check=check)
        assert sizes is not None
        found.append(_above(sizes.quantiles_mm, 85))
    assert np.mean(found) == pytest.approx(0.0345, abs=0.007)
    assert np.std(found) < 0.019


def test_pairs_set_a_wrong_scale_right_and_the_shared_error_shrinks() -> None:
    rng = np.random.default_rng(3)
    check = check_calipers(_pairs(rng, 60, factor=1.05), SETTINGS)
    trees = _walk(rng, factor=1.05)
    blind = size_distribution(trees, [], walked_on=WALK, settings=SETTINGS)
    checked = size_distribution(trees, [], walked_on=WALK, settings=SETTINGS, check=check)
    assert blind is not None
    assert checked is not None
    assert checked.mean_mm == pytest.approx(75, abs=1.2)
    assert checked.shared_error < blind.shared_error / 10
    assert Doubt.NO_CALIPERS not in checked.doubts
    # What the pairs leave unknown of the mean is this walk's own.
    assert checked.mean_error_mm > check.error_mm(75.0) * 0.9


def test_the_same_fruit_as_pair_and_as_reading_is_not_used_twice() -> None:
    # Eight fruit on each of eight trees are calipered; the readings and the pairs are the same
    # fruit. Over many blocks the mean errs as it says.
    off = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        factor = 1 + rng.normal(0, 0.053)
        true = 75 + rng.normal(0, 5.5, 64)
        read = factor * true + rng.normal(0, 4, 64)
        pairs = [_pair(float(a), float(b), photo=str(i // 8))
                 for i, (a, b) in enumerate(zip(read, true, strict=True))]  # fmt: skip
        readings = [caliper(i // 8, float(mm)) for i, mm in enumerate(true)]
        sizes = size_distribution(_walk(rng, factor=factor), readings, walked_on=WALK,
                                  settings=SETTINGS,
                                  check=check_calipers(pairs, SETTINGS))  # fmt: skip
        assert sizes is not None
        error = np.hypot(sizes.mean_error_mm, sizes.shared_error * sizes.mean_mm)
        off.append((sizes.mean_mm - 75) / error)
    assert 0.75 < np.std(off) < 1.2


# ---------------------------------------------------------------- the plot


def test_the_plot_has_a_dot_a_fruit_equal_axes_and_units() -> None:
    pairs = _pairs(np.random.default_rng(9), 14)
    text = caliper_plot([(pairs, check_calipers(pairs, SETTINGS))])
    assert text.count("<circle") == 14
    assert "Caliper, mm" in text
    assert "Photo, mm" in text
    low, high = plot_limits_mm(pairs)
    assert low % 5 == 0
    assert low < min(min(p.photo_mm, p.caliper_mm) for p in pairs)
    assert high > max(max(p.photo_mm, p.caliper_mm) for p in pairs)
    assert plot_limits_mm([]) == (65.0, 75.0)

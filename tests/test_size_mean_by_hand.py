"""Mean and spread by calipers and photos, with numbers worked out by hand."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from scipy.special import stdtrit

from fruitvision.domain import CaliperCheck, Doubt
from fruitvision.settings import Settings
from fruitvision.size_mean import (
    MOST_SPREAD_ERROR,
    PhotoMean,
    Spread,
    calibrated,
    error_of_spread,
    joined,
    mean_by_hand,
    photo_mean,
    spread_by_hand,
    spread_of_photos,
)
from fruitvision.sizes import size_distribution
from fruitvision.survey import Sampled
from tests.records import WALK, caliper, tree


def test_a_caliper_reading_stands_for_its_share_of_its_trees_fruit() -> None:
    # Tree 1 bears 30 fruit, 2 were read: 15 each. Tree 2 bears 10, one was read.
    readings = [caliper(1, 60.0), caliper(1, 64.0), caliper(2, 80.0)]
    found = mean_by_hand(readings, [tree(1, 30), tree(2, 10)], [1.0, 1.0])
    assert found.value == pytest.approx((15 * 124 + 10 * 80) / 40)
    assert found.degrees_of_freedom == 1
    # A ratio of sums of two trees: residuals 15·124 - 66.5·30 and 10·80 - 66.5·10, opposite.
    assert found.error == pytest.approx((2 * 135.0**2 * 2 / 1) ** 0.5 / 40)
    # A tree that stands for three times as many weighs three times as much.
    weighed = mean_by_hand(readings, [tree(1, 30), tree(2, 10)], [1.0, 3.0])
    assert weighed.value == pytest.approx((15 * 124 + 30 * 80) / 60)


def test_a_calipered_tree_without_photos_bears_as_the_photographed_ones() -> None:
    readings = [caliper(1, 60.0), caliper(9, 80.0)]
    found = mean_by_hand(readings, [tree(1, 30), tree(2, 10)], [1.0, 1.0])
    assert found.value == pytest.approx((30 * 60 + 20 * 80) / 50)


def test_where_no_fruit_was_visible_calipered_trees_count_alike() -> None:
    readings = [caliper(1, 60.0), caliper(1, 62.0), caliper(2, 80.0)]
    found = mean_by_hand(readings, [tree(1, 0), tree(2, 0)], [1.0, 1.0])
    assert found.value == pytest.approx((61 + 80) / 2)


def test_readings_that_agree_by_chance_are_no_proof() -> None:
    trees = [tree(1, 30), tree(2, 30)]
    found = mean_by_hand([caliper(1, 76.0), caliper(2, 76.0)], trees, [1.0, 1.0])
    # A quarter of 3 % by trees and 7 % by fruit, of two.
    assert found.error == pytest.approx(0.25 * 76 * ((0.03**2 + 0.07**2) / 2) ** 0.5)
    assert (found.value, found.degrees_of_freedom) == (76.0, 1)
    photo = PhotoMean(own=Sampled(value=65.6, error=1.5, degrees_of_freedom=9), shared_mm=3.0)
    moved = calibrated(photo, found)
    assert 0 < moved.shift_mm < 10.4
    assert moved.own_error_mm > 1.0
    assert moved.shared_error_mm > 0


def test_a_calipered_tree_without_a_visible_fruit_is_no_second_witness() -> None:
    trees = [tree(1, 30), tree(2, 0)]
    found = mean_by_hand([caliper(1, 70.0), caliper(2, 76.0)], trees, [1.0, 1.0])
    assert found == Sampled(value=70.0, error=pytest.approx(0.03 * 70), degrees_of_freedom=1)


@pytest.mark.parametrize(("number", "each"), [(2, 1), (2, 4), (3, 1), (5, 2)])
def test_eight_means_by_hand_in_ten_hold_the_truth(number: int, each: int) -> None:
    rng = np.random.default_rng(3)
    trees, held = [tree(n, 30) for n in range(number)], 0
    for _ in range(400):
        of_tree = 76.0 * (1 + 0.03 * rng.standard_normal((number, 1)))
        read = np.round(of_tree * (1 + 0.07 * rng.standard_normal((number, each))))
        readings = [caliper(n, mm) for n, row in enumerate(read) for mm in row]
        found = mean_by_hand(readings, trees, [1.0] * number)
        reach = found.error * float(stdtrit(found.degrees_of_freedom, 0.9))
        held += abs(found.value - 76.0) <= reach
    assert 0.75 <= held / 400 <= 0.9


def test_readings_of_one_tree_err_as_trees_differ() -> None:
    found = mean_by_hand([caliper(1, 60.0), caliper(1, 64.0)], [tree(1, 30)], [1.0])
    assert found == Sampled(value=62.0, error=pytest.approx(0.03 * 62), degrees_of_freedom=1)


def test_photos_are_moved_towards_the_calipers_by_their_variance() -> None:
    photo = PhotoMean(own=Sampled(value=70.0, error=0.6, degrees_of_freedom=9), shared_mm=1.6)
    hand = Sampled(value=72.0, error=1.0, degrees_of_freedom=5)
    found = calibrated(photo, hand)
    weight = (0.36 + 2.56) / (0.36 + 2.56 + 1.0)
    assert found.shift_mm == pytest.approx(weight * 2.0)
    parts = ((1 - weight) * 0.6) ** 2, (weight * 1.0) ** 2
    assert found.own_error_mm == pytest.approx(sum(parts) ** 0.5)
    assert found.shared_error_mm == pytest.approx((1 - weight) * 1.6)
    # Satterthwaite, rounded down.
    assert found.degrees_of_freedom == int(
        sum(parts) ** 2 / (parts[0] ** 2 / 9 + parts[1] ** 2 / 5)
    )


@pytest.mark.parametrize("shared", [0.0, 1.6])
def test_photos_alone_or_without_an_error_of_scale_are_not_moved(shared: float) -> None:
    own = Sampled(value=70.0, error=0.6, degrees_of_freedom=9)
    hand = Sampled(value=72.0, error=1.0, degrees_of_freedom=5)
    found = calibrated(PhotoMean(own=own, shared_mm=shared), hand if shared == 0 else None)
    assert (found.shift_mm, found.own_error_mm) == (0.0, 0.6)
    assert (found.shared_error_mm, found.degrees_of_freedom) == (shared, 9)


def test_the_scale_errs_by_the_markers_depth_at_its_usual_distance_and_by_the_outlines() -> None:
    # 69 mm of 2,300 mm are 3 %; with 4 % of the outlines it is 5 % of 80 mm.
    settings = Settings(marker_depth_error_mm=69.0, outline_bias_error=0.04)
    mean = Sampled(value=80.0, error=0.5, degrees_of_freedom=9)
    assert photo_mean(mean, None, settings).shared_mm == pytest.approx(4.0)
    # Pairs that say less than was known before take nothing away.
    vague = CaliperCheck(pairs=2, middle_mm=80.0, bias_error_mm=9.0)
    found = photo_mean(mean, vague, settings)
    assert found.shared_mm == pytest.approx(4.0)
    assert found.own.error == pytest.approx(0.5)


def test_a_spread_by_hand_is_that_within_trees_and_between_them() -> None:
    # Two trees of two: within 16/2 = 8, between trees 100/1; 50 + 8·(1 - 1/2).
    readings = [caliper(1, 60.0), caliper(1, 64.0), caliper(2, 70.0), caliper(2, 74.0)]
    found = spread_by_hand(readings)
    assert found.sd_mm == pytest.approx(54**0.5)
    assert found.error == pytest.approx((2 * 50**2 / 1 + 2 * 4**2 / 2) ** 0.5 / (2 * 54))


def test_one_reading_a_tree_or_one_tree_is_the_plain_spread() -> None:
    mm = [60.0, 64.0, 70.0]
    plain = float(np.std(mm, ddof=1))
    each = spread_by_hand([caliper(n, one) for n, one in enumerate(mm)])
    assert (each.sd_mm, each.error) == pytest.approx((plain, 1 / (2 * 2) ** 0.5))
    same = spread_by_hand([caliper(1, one) for one in mm])
    assert (same.sd_mm, same.error) == pytest.approx((plain, 1.5 / (2 * 2) ** 0.5))


def test_equal_readings_have_no_spread_and_no_error_of_it() -> None:
    readings = [caliper(n // 2, 70.0) for n in range(4)]
    assert spread_by_hand(readings) == Spread(sd_mm=0.0, error=0.0)


def test_the_error_of_what_was_read_by_hand() -> None:
    read = np.array([50.0, 90.0, 69.0, 71.0])
    ones = np.ones(4)
    # Squares 400, 400, 1, 1 about 70; variance 200.5; sums of two trees ± 99.75.
    assert error_of_spread(read, ones, np.array([0, 0, 1, 1])) == pytest.approx(
        (2 * 99.75**2 * 2 / 1) ** 0.5 / (2 * 200.5)
    )
    # Spread alike in both trees: as four independent fruit.
    alone = (0.25 / 2) ** 0.5
    assert error_of_spread(read, ones, np.array([0, 1, 0, 1])) == pytest.approx(alone)
    assert error_of_spread(read, ones, np.array([3, 3, 3, 3])) == pytest.approx(1.5 * alone)
    assert error_of_spread(np.full(4, 70.0), ones, np.array([0, 0, 1, 1])) == pytest.approx(alone)
    # Weights: w·w of 3, 1, 1, 1 over their sum is 12/36.
    assert error_of_spread(
        np.full(4, 70.0), np.array([3.0, 1.0, 1.0, 1.0]), np.array([0, 0, 1, 1])
    ) == pytest.approx((12 / 36 / 2) ** 0.5)


def test_a_spread_of_nothing_and_a_spread_that_errs_most() -> None:
    nothing = spread_of_photos(0.0, 0.1, noise_mm=2.0, noise_error=0.1, least_mm=3.0)
    assert nothing == Spread(sd_mm=0.0, error=0.0)
    # 5.1² - 5² = 1.01: errors of 26.01·0.1 and 25·0.2 over 1.01 are far beyond the most.
    vague = spread_of_photos(5.1, 0.1, noise_mm=5.0, noise_error=0.2, least_mm=0.5)
    assert vague.sd_mm == pytest.approx(1.01**0.5)
    assert vague.error == MOST_SPREAD_ERROR
    clear = spread_of_photos(5.0, 0.03, noise_mm=3.0, noise_error=0.1, least_mm=2.0)
    assert clear.error == pytest.approx(((0.03 * 25) ** 2 + (0.1 * 9) ** 2) ** 0.5 / 16)


@pytest.mark.parametrize(
    "one",
    [Spread(sd_mm=0.0, error=0.1), Spread(sd_mm=4.0, error=0.0)],
)
def test_a_witness_that_says_nothing_leaves_the_other(one: Spread) -> None:
    other = Spread(sd_mm=6.0, error=0.1)
    assert joined(one, other) == other


def test_two_trees_with_one_reading_each_are_two_fruit() -> None:
    found = spread_by_hand([caliper(1, 60.0), caliper(2, 70.0)])
    assert (found.sd_mm, found.error) == pytest.approx((50**0.5, 1 / 2**0.5))


@pytest.mark.parametrize(("apart", "used"), [(6, True), (7, False)])
def test_calipers_count_within_a_week_of_the_walk(apart: int, used: bool) -> None:
    trees = [tree(n, 30, diameters_mm=[68.0 + n, 72.0, 75.0 - n]) for n in range(1, 6)]
    readings = [caliper(n, 64.0 + n, on=WALK + timedelta(days=apart)) for n in range(1, 6)]
    plain, found = (
        size_distribution(trees, these, walked_on=WALK, settings=Settings())
        for these in ([], readings)
    )
    assert plain is not None
    assert found is not None
    assert (found.mean_mm < plain.mean_mm - 1) is used
    assert (Doubt.NO_CALIPERS not in found.doubts) is used


def test_a_check_without_pairs_is_none_and_one_with_pairs_sets_readings_right() -> None:
    trees = [tree(n, 30, diameters_mm=[68.0 + n, 72.0, 75.0 - n]) for n in range(1, 6)]

    def sizes_by(check: CaliperCheck | None) -> tuple[float, float]:
        found = size_distribution(trees, [], walked_on=WALK, settings=Settings(), check=check)
        assert found is not None
        return found.mean_mm, found.noise_mm

    assert sizes_by(CaliperCheck(pairs=0, bias_mm=9.0)) == sizes_by(None)
    # Photos read 9 mm too much at 70 mm, and a tenth more a mm: 2 mm where there is nothing.
    mean, _ = sizes_by(CaliperCheck(pairs=12, bias_mm=9.0, middle_mm=70.0, slope=1.1))
    assert mean == pytest.approx((np.mean([68 + 72 + 75]) / 3 - 2) / 1.1)


def test_a_spread_of_less_than_a_millimetre_is_measured_as_any_other() -> None:
    # A hundredth of the readings above: the relative error is the same.
    read = np.array([69.8, 70.2, 69.99, 70.01])
    found = error_of_spread(read, np.ones(4), np.array([0, 0, 1, 1]))
    assert found == pytest.approx((2 * 99.75**2 * 2) ** 0.5 / (2 * 200.5), rel=1e-6)

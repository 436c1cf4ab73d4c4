"""Mean and spread of a block by photos and calipers: two witnesses."""

import numpy as np
import pytest

from fruitvision.domain import CaliperCheck
from fruitvision.settings import Settings
from fruitvision.size_mean import (
    Spread,
    error_of_spread,
    joined,
    mean_of_fruit,
    photo_mean,
    spread_of_photos,
)
from fruitvision.survey import Sampled


def test_two_equal_witnesses_of_a_spread_are_as_good_as_twice_as_many_fruit() -> None:
    both = joined(Spread(sd_mm=5.0, error=0.1), Spread(sd_mm=5.0, error=0.1))
    assert both.sd_mm == pytest.approx(5.0)
    assert both.error == pytest.approx(0.1 / 2**0.5)
    leaning = joined(Spread(sd_mm=4.0, error=0.4), Spread(sd_mm=6.0, error=0.1))
    assert leaning.sd_mm == pytest.approx(6.0 * (4 / 6) ** (1 / 17))


def test_the_error_of_the_noise_weighs_by_its_part() -> None:
    # 6.8² = 5.5² + 4²: 1 % of the noise is 16/30.25 % of the spread.
    found = spread_of_photos(6.8, 0.0, noise_mm=4.0, noise_error=0.1, least_mm=3.0)
    assert found.sd_mm == pytest.approx((6.8**2 - 16) ** 0.5)
    assert found.error == pytest.approx(0.1 * 16 / (6.8**2 - 16))
    # All noise: the least spread that is believed, and hardly anything is known of it.
    drowned = spread_of_photos(4.0, 0.02, noise_mm=5.0, noise_error=0.1, least_mm=3.5)
    assert drowned == Spread(sd_mm=3.5, error=0.4)
    narrow = spread_of_photos(2.0, 0.02, noise_mm=5.0, noise_error=0.1, least_mm=3.5)
    assert narrow.sd_mm == 2.0


def test_the_stated_error_of_an_observed_spread_is_its_error() -> None:
    # 15 trees that differ in mean and in spread, 20 fruit each.
    found = []
    for seed in range(300):
        rng = np.random.default_rng(seed)
        tree = np.repeat(np.arange(15), 20)
        wide = np.exp(rng.normal(0, 0.25, 15))[tree]
        read = rng.normal(0, 2, 15)[tree] + wide * rng.normal(0, 5, 300)
        found.append((read.std(), error_of_spread(read, np.ones(300), tree)))
    sd, stated = np.array(found).T
    assert np.mean(stated) == pytest.approx(sd.std() / sd.mean(), rel=0.15)


def test_a_weighted_mean_is_that_of_repeated_fruit() -> None:
    read, tree = np.array([60.0, 70.0, 80.0, 66.0]), np.array([0, 0, 1, 2])
    weighted = mean_of_fruit(read, np.array([2.0, 1.0, 3.0, 1.0]), tree)
    repeated = mean_of_fruit(
        np.array([60.0, 60.0, 70.0, 80.0, 80.0, 80.0, 66.0]),
        np.ones(7),
        np.array([0, 0, 0, 1, 1, 1, 2]),
    )
    assert weighted == repeated
    alone = mean_of_fruit(np.array([70.0, 74.0]), np.ones(2), np.array([4, 4]))
    assert alone == Sampled(value=72.0, error=pytest.approx(2.16), degrees_of_freedom=1)


def test_what_pairs_leave_of_the_scale_is_parted_into_own_and_shared() -> None:
    mean = Sampled(value=80.0, error=0.0, degrees_of_freedom=9)
    settings = Settings(marker_depth_error_mm=0.0, outline_bias_error=0.05)
    blind = photo_mean(mean, None, settings)
    assert blind.shared_mm == pytest.approx(4.0)
    assert photo_mean(mean, CaliperCheck(), settings) == blind
    # Prior 4 mm, pairs good to 2 mm: weight 0.8; left are 0.2 · 4 shared and 0.8 · 2 own.
    left = (1 / (1 / 16 + 1 / 4)) ** 0.5
    check = CaliperCheck(pairs=10, middle_mm=80.0, bias_error_mm=left)
    found = photo_mean(mean, check, settings)
    assert found.shared_mm == pytest.approx(0.2 * 4)
    assert found.own.error == pytest.approx(0.8 * 2)

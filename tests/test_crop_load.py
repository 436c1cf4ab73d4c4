"""Crop load against printed guides."""

import math

import pytest

from fruitvision.crop_load import (
    FRUIT_PER_CM2_ANNUAL,
    FRUIT_PER_CM2_BIENNIAL,
    buds_per_tree,
    fruit_for_trunk,
    thinning_words,
    trunk_area_cm2,
    trunk_area_from_girth_cm2,
)
from fruitvision.domain import Estimate


# UMass Extension, "Crop load guide for young apple trees" (J. Clements, 26 April 2017): trunk
# diameter in inches, trunk area in cm², fruit at 4 and at 6 per cm². All figures as printed.
@pytest.mark.parametrize(
    ("inches", "area_cm2", "biennial", "annual"),
    [
        (0.75, 2.9, 11, 17),
        (1.0, 5.1, 20, 30),
        (1.25, 7.9, 32, 48),
        (1.5, 11.4, 46, 68),
        (1.75, 15.5, 62, 93),
        (2.0, 20.3, 81, 122),
        (2.25, 25.7, 103, 154),
        (2.5, 31.7, 127, 190),
        (2.75, 38.3, 153, 230),
        (3.0, 45.6, 182, 274),
    ],
)
def test_the_printed_crop_loads(inches: float, area_cm2: float, biennial: int, annual: int) -> None:
    area = trunk_area_cm2(inches * 25.4)
    assert round(area, 1) == area_cm2
    assert fruit_for_trunk(area, fruit_per_cm2=FRUIT_PER_CM2_BIENNIAL) == biennial
    assert fruit_for_trunk(area, fruit_per_cm2=FRUIT_PER_CM2_ANNUAL) == annual


def test_girth_and_diameter_give_the_same_trunk() -> None:
    assert trunk_area_from_girth_cm2(100 * math.pi) == pytest.approx(trunk_area_cm2(100))
    # girth² ÷ 4π: 20 cm → 31.83 cm².
    assert trunk_area_from_girth_cm2(200) == pytest.approx(31.831, abs=0.001)


def test_buds_of_the_printed_example() -> None:
    # Trade press, counting-based crop load management: 92 fruit ÷ 0.84 fruitful buds → 110 buds.
    assert buds_per_tree(fruit_per_tree=92, fruitful_share=0.84) == 110
    assert buds_per_tree(fruit_per_tree=100, fruitful_share=0.5) == 200


@pytest.mark.parametrize("share", [0.0, -0.5, 1.2])
def test_a_share_of_buds_that_cannot_be_is_refused(share: float) -> None:
    with pytest.raises(ValueError, match="fruitful_share"):
        buds_per_tree(fruit_per_tree=92, fruitful_share=share)


def test_no_trunk_no_load() -> None:
    with pytest.raises(ValueError, match="diameter_mm must be above 0"):
        trunk_area_cm2(0)


@pytest.mark.parametrize(
    ("low", "high", "days", "words"),
    [
        (80, 95, 40, "At or below the target of 100"),
        (90, 120, 40, "straddles the target of 100 fruit per tree: photograph more trees"),
        (125, 135, 40, "About 25 to 35 fruit per tree over the target of 100."),
        (125, 135, 51, "Late: little size gain"),
    ],
)
def test_scenario_56_thinning_is_advised_only_if_the_whole_range_is_over(
    low: float, high: float, days: int, words: str
) -> None:
    found = thinning_words(Estimate(low, (low + high) / 2, high), target=100, days_after_bloom=days)
    assert words in found
    assert ("Late" in found) == (days > 50 and low > 100)

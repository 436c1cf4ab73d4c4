"""Crop load against printed guides."""

import math

import pytest

from fruitvision.crop_load import (
    buds_per_tree,
    fruit_for_trunk,
    guide_per_cm2,
    mass_gain,
    published_mass_g,
    tends_to_alternate,
    trunk_area_cm2,
    trunk_area_from_girth_cm2,
)
from fruitvision.domain import Estimate
from fruitvision.settings import Settings


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
    assert fruit_for_trunk(area, fruit_per_cm2=guide_per_cm2("Fuji", Settings())) == biennial
    assert fruit_for_trunk(area, fruit_per_cm2=guide_per_cm2("Gala", Settings())) == annual


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


def test_the_published_sizes_at_a_load() -> None:
    # As printed: about 175 g at 7 fruit per cm², 150 g at 10 and more.
    assert published_mass_g(7) == 175
    assert published_mass_g(10) == published_mass_g(14) == 150
    # On the line between: 8.33 g for each fruit per cm²; it goes on below 7.
    assert published_mass_g(8.5) == pytest.approx(162.5)
    assert published_mass_g(4) == pytest.approx(200)
    with pytest.raises(ValueError, match="load_per_cm2"):
        published_mass_g(-1)


def test_the_gain_of_a_lower_load_is_a_ratio_with_its_range() -> None:
    # 150 to 175 g is one sixth more.
    gain = mass_gain(10, 7)
    assert (gain.p10, gain.p50, gain.p90) == pytest.approx((13 / 12, 7 / 6, 1.25))
    assert mass_gain(14, 11) == Estimate(1, 1, 1)
    with pytest.raises(ValueError, match="the load must fall"):
        mass_gain(5, 6)


def test_varieties_that_alternate_are_those_that_the_farm_names() -> None:
    settings = Settings(biennial_varieties=" fuji, Braeburn ")
    assert tends_to_alternate("Fuji", settings)
    assert tends_to_alternate("braeburn ", settings)
    assert not tends_to_alternate("Gala", settings)
    assert not tends_to_alternate("", Settings(biennial_varieties=""))
    assert guide_per_cm2("Fuji", settings) == 4
    assert guide_per_cm2("Gala", settings) == 6

"""Crop load: the section of a trunk, fruit for it, and what fruit weigh at a load.

What to spray or when is for the label and a licensed adviser: nothing here names a material.
"""

from __future__ import annotations

import math

from fruitvision.domain import Estimate
from fruitvision.errors import FieldDataError
from fruitvision.settings import Settings

# Trunks that somebody may have, cm². Our choice: whips of 8 mm to old trees of 35 cm across.
TRUNK_RANGE_CM2 = (0.5, 1000.0)


def trunk_area_cm2(diameter_mm: float) -> float:
    """Cross-section of a trunk, cm².

    Raises
    ------
    ValueError
        If the diameter is not above 0.
    """
    if not diameter_mm > 0:
        raise ValueError(f"diameter_mm must be above 0, got {diameter_mm}")
    return math.pi * (diameter_mm / 10) ** 2 / 4


def trunk_area_from_girth_cm2(girth_mm: float) -> float:
    """Cross-section of a trunk from its girth, cm²: girth² ÷ 4π.

    Raises
    ------
    ValueError
        If the girth is not above 0.
    """
    return trunk_area_cm2(girth_mm / math.pi)


def check_trunk(area_cm2: float, *, typed: str) -> None:
    """Refuse a section that no trunk has. `typed` : what was typed, for the error.

    Raises
    ------
    FieldDataError
        If it lies outside `TRUNK_RANGE_CM2`: a girth in cm in a column of mm, for one.
    """
    low, high = TRUNK_RANGE_CM2
    if not low <= area_cm2 <= high:
        raise FieldDataError(
            f"{typed}: a trunk of {area_cm2:,.4g} cm² section.",
            fix=f"Trunks have {low:g} to {high:g} cm²: check the number and its unit.",
        )


def tends_to_alternate(variety: str, settings: Settings) -> bool:
    """Whether the farm names a variety among those that tend to bear every other year."""
    named = {name.strip().casefold() for name in settings.biennial_varieties.split(",")}
    return variety.strip().casefold() in named - {""}


def guide_per_cm2(variety: str, settings: Settings) -> float:
    """Fruit per cm² of trunk that the farm's guide gives a variety."""
    if tends_to_alternate(variety, settings):
        return settings.fruit_per_cm2_biennial
    return settings.fruit_per_cm2_annual


def fruit_for_trunk(area_cm2: float, *, fruit_per_cm2: float) -> int:
    """Fruit that a trunk of this cross-section carries, to the nearest whole fruit."""
    return round(area_cm2 * fruit_per_cm2)


def buds_per_tree(*, fruit_per_tree: float, fruitful_share: float) -> int:
    """Buds to leave at pruning: fruit wanted ÷ fruitful share of the buds, rounded up.

    Raises
    ------
    ValueError
        If the share is not above 0 and at most 1.
    """
    if not 0 < fruitful_share <= 1:
        raise ValueError(f"fruitful_share must be above 0 and at most 1, got {fruitful_share}")
    return math.ceil(fruit_per_tree / fruitful_share - 1e-9)


# Mean mass at two loads, fruit per cm² of trunk and g: 'Honeycrisp' (Robinson et al., hosted by NC
# State; read in an abstract): size falls fast from no load to about 7, is about 175 g there, and
# 150 g at 10 and more.
_PUBLISHED = ((7.0, 175.0), (10.0, 150.0))
# A published gain may be so much smaller or larger in another variety, place and year. Our choice:
# the figures are of one variety.
GAIN_RANGE = (0.5, 1.5)


def published_mass_g(load_per_cm2: float) -> float:
    """Mean mass of a fruit at a load, by the published points and the line through them.

    Below the first point the line goes on, which is on the safe side for a gain: the text says that
    size falls faster there. From the last point on it is level.

    Raises
    ------
    ValueError
        If the load is below 0.
    """
    if load_per_cm2 < 0:
        raise ValueError(f"load_per_cm2 must be 0 or more, got {load_per_cm2}")
    (first, first_g), (last, last_g) = _PUBLISHED
    slope = (last_g - first_g) / (last - first)
    return first_g + slope * (min(load_per_cm2, last) - first)


def mass_gain(now_per_cm2: float, then_per_cm2: float) -> Estimate:
    """Mean mass at a lower load against that at the load now, as a ratio of 1 or more.

    For loads that are brought down early, up to about 40 days after full bloom: the published trees
    were. P10 and P90 are `GAIN_RANGE` times the gain.

    Raises
    ------
    ValueError
        If the load then is above the load now, or one is below 0.
    """
    if then_per_cm2 > now_per_cm2:
        raise ValueError(f"the load must fall, got {now_per_cm2} to {then_per_cm2}")
    gain = published_mass_g(then_per_cm2) / published_mass_g(now_per_cm2) - 1
    low, high = GAIN_RANGE
    return Estimate(1 + low * gain, 1 + gain, 1 + high * gain)

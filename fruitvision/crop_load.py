"""Crop load: fruit for a trunk, buds for a crop, and whether thinning still pays.

What to spray or when is for the label and a licensed adviser: nothing here names a material.
"""

from __future__ import annotations

import math

from fruitvision.domain import Estimate

MM_PER_INCH = 25.4
# Fruit per cm² of trunk for young trees: varieties that tend to bear every other year, and those
# that bear every year (UMass Extension, "Crop load guide for young apple trees", 2017).
FRUIT_PER_CM2_BIENNIAL = 4.0
FRUIT_PER_CM2_ANNUAL = 6.0
# Days after full bloom from which thinning brings little size. Our choice: trials find the gain
# greatest up to about 40 days (HortTechnology 23(6):830, 2013).
LATE_DAYS_AFTER_BLOOM = 50


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


def thinning_words(fruit_per_tree: Estimate, *, target: float, days_after_bloom: int) -> str:
    """Whether a block bears too much: act only if its whole range lies above the target."""
    if fruit_per_tree.p90 <= target:
        return f"At or below the target of {target:.0f} fruit per tree."
    if fruit_per_tree.p10 <= target:
        return (
            f"The range straddles the target of {target:.0f} fruit per tree: photograph more trees "
            "before you decide."
        )
    low, high = fruit_per_tree.p10 - target, fruit_per_tree.p90 - target
    over = f"About {low:.0f} to {high:.0f} fruit per tree over the target of {target:.0f}."
    if days_after_bloom > LATE_DAYS_AFTER_BLOOM:
        return f"{over} Late: little size gain, still useful for pack-out."
    return over

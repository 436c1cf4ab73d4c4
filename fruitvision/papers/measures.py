"""Lengths, weights and areas of a table: which column holds which unit, and what is converted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from fruitvision.units import (
    HECTARES_PER_ACRE,
    KG_PER_POUND,
    M_PER_FOOT,
    MM_PER_INCH,
)

OUNCES_PER_POUND = 16
G_PER_POUND = KG_PER_POUND * 1000

# What one of each unit is in the unit of the metric column.
_MM = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH}
_GRAMS = {"g": 1.0, "kg": 1000.0, "oz": G_PER_POUND / OUNCES_PER_POUND, "lb": G_PER_POUND}
_KILOGRAMS = {"kg": 1.0, "g": 0.001, "lb": KG_PER_POUND}
_METRES = {"m": 1.0, "cm": 0.01, "ft": M_PER_FOOT}
_HECTARES = {"ha": 1.0, "ac": HECTARES_PER_ACRE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """Something measured that a table gives in one of two columns, a unit each.

    Attributes
    ----------
    metric, other : str
        The two columns.
    unit, other_unit : str
        Signs of their units.
    factors : mapping of str to float
        What one of each unit that people write is in `unit`.
    sure_from : float or None
        Numbers without a unit whose middle one is at least this are metric; None: never sure.
    """

    name: str
    metric: str
    other: str
    unit: str
    other_unit: str
    factors: Mapping[str, float]
    sure_from: float | None = None

    @property
    def columns(self) -> tuple[str, str]:
        """Both columns, the metric one first."""
        return self.metric, self.other

    def unit_of(self, column: str) -> str:
        """Sign of the unit that a column holds."""
        return self.unit if column == self.metric else self.other_unit

    def column_of(self, unit: str) -> str:
        """The column for numbers in a unit; those of a third unit are converted to metric ones."""
        return self.other if unit == self.other_unit else self.metric


# No apple is 10 inches wide, and none weighs 40 ounces (1.1 kg): such numbers are mm and g. For
# spacings and areas both units are likely, so that they are asked.
MEASURES = {
    measure.name: measure
    for measure in (
        Measure(
            name="diameter",
            metric="diameter_mm",
            other="diameter_in",
            unit="mm",
            other_unit="in",
            factors=_MM,
            sure_from=10.0,
        ),
        Measure(
            name="target_diameter",
            metric="target_diameter_mm",
            other="target_diameter_in",
            unit="mm",
            other_unit="in",
            factors=_MM,
            sure_from=10.0,
        ),
        Measure(
            name="mass",
            metric="mass_g",
            other="mass_oz",
            unit="g",
            other_unit="oz",
            factors=_GRAMS,
            sure_from=40.0,
        ),
        Measure(
            name="row_spacing",
            metric="row_spacing_m",
            other="row_spacing_ft",
            unit="m",
            other_unit="ft",
            factors=_METRES,
        ),
        Measure(
            name="tree_spacing",
            metric="tree_spacing_m",
            other="tree_spacing_ft",
            unit="m",
            other_unit="ft",
            factors=_METRES,
        ),
        Measure(
            name="area",
            metric="area_ha",
            other="area_acres",
            unit="ha",
            other_unit="ac",
            factors=_HECTARES,
        ),
        Measure(
            name="trunk_girth",
            metric="trunk_girth_mm",
            other="trunk_girth_in",
            unit="mm",
            other_unit="in",
            factors=_MM,
        ),
        Measure(
            name="trunk_diameter",
            metric="trunk_diameter_mm",
            other="trunk_diameter_in",
            unit="mm",
            other_unit="in",
            factors=_MM,
        ),
        Measure(
            name="bin_weight",
            metric="bin_kg",
            other="bin_lb",
            unit="kg",
            other_unit="lb",
            factors=_KILOGRAMS,
        ),
        Measure(
            name="culled_weight",
            metric="culled_kg",
            other="culled_lb",
            unit="kg",
            other_unit="lb",
            factors=_KILOGRAMS,
        ),
    )
}


@cache
def measure_of(column: str) -> Measure | None:
    """The measure whose column this is; None for other columns."""
    return next((one for one in MEASURES.values() if column in one.columns), None)


def as_text(value: float) -> str:
    """A converted number as a cell: four decimals at most, none that say nothing."""
    return f"{value:.4f}".rstrip("0").rstrip(".")

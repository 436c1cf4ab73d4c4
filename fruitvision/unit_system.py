"""The units that a user sees: metric, or those of the trade in the United States.

Inside the package all numbers are metric, and so are the documents of record. Reports, tables and
the app turn them into a user's units last of all, and say the unit beside each number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from fruitvision.domain import Estimate
from fruitvision.errors import SettingsError, did_you_mean
from fruitvision.units import HECTARES_PER_ACRE, KG_PER_POUND, M_PER_FOOT, MM_PER_INCH

# A pound has 16 ounces, a short ton 2,000 pounds (NIST Handbook 44, appendix C): exact.
G_PER_OUNCE = 1000 * KG_PER_POUND / 16
TONNES_PER_SHORT_TON = 2000 * KG_PER_POUND / 1000


class UnitSystem(StrEnum):
    """Which units are shown. The value is what people type."""

    METRIC = "metric"
    US = "us"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit as it is shown.

    `symbol` : beside numbers and in heads of columns. `name` : in names of columns. `size` : what
    one of it is in the metric unit that the package keeps. `digits` : decimals that it needs more
    than the metric one to be about as fine, `fewest` at least.
    """

    symbol: str
    name: str
    size: float = 1.0
    digits: int = 0
    fewest: int = 0

    def shown(self, value: float) -> float:
        """A metric number in this unit."""
        return value if self.size == 1.0 else value / self.size

    def shown_range(self, value: Estimate | None) -> Estimate | None:
        """A metric number with its range in this unit; None stays None."""
        if value is None:
            return None
        return Estimate(self.shown(value.p10), self.shown(value.p50), self.shown(value.p90))

    def kept(self, value: float) -> float:
        """A number in this unit as the package keeps it."""
        return value if self.size == 1.0 else value * self.size

    def decimals(self, metric: int) -> int:
        """Decimals to show where the metric number has so many."""
        return max(self.fewest, metric + self.digits)

    def all_decimals(self, metric: int) -> int:
        """Decimals that lose nothing of a metric number with so many, as a small error needs."""
        return max(0, math.ceil(metric + math.log10(self.size)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """Every unit of one system: diameters, cubed diameters, masses of a fruit, a carton and a crop,
    distances in the orchard, areas. `words` name those that are met."""

    system: UnitSystem
    words: str
    diameter: Unit
    cube: Unit
    fruit: Unit
    carton: Unit
    crop: Unit
    distance: Unit
    area: Unit


METRIC = Units(
    system=UnitSystem.METRIC,
    words="millimetres, tonnes of 1,000 kg, hectares",
    diameter=Unit(symbol="mm", name="mm"),
    cube=Unit(symbol="mm³", name="mm3"),
    fruit=Unit(symbol="g", name="g"),
    carton=Unit(symbol="kg", name="kg"),
    crop=Unit(symbol="t", name="tonnes"),
    distance=Unit(symbol="m", name="m"),
    area=Unit(symbol="ha", name="ha"),
)
# A hundredth of an inch, a quarter of a millimetre, where whole or tenths of millimetres are shown:
# our choice, finer than any mean is known, and the trade counts in eighths.
US = Units(
    system=UnitSystem.US,
    words="inches, short tons of 2,000 lb, acres",
    diameter=Unit(symbol="in", name="in", size=MM_PER_INCH, digits=1, fewest=2),
    cube=Unit(symbol="in³", name="in3", size=MM_PER_INCH**3, digits=4),
    fruit=Unit(symbol="oz", name="oz", size=G_PER_OUNCE, digits=1),
    carton=Unit(symbol="lb", name="lb", size=KG_PER_POUND),
    crop=Unit(symbol="short tons", name="short_tons", size=TONNES_PER_SHORT_TON),
    distance=Unit(symbol="ft", name="ft", size=M_PER_FOOT),
    area=Unit(symbol="ac", name="acres", size=HECTARES_PER_ACRE),
)
_SYSTEMS = {units.system: units for units in (METRIC, US)}


def units_of(system: UnitSystem | str) -> Units:
    """The units of a system, by its name.

    Raises
    ------
    SettingsError
        If there is no such system.
    """
    try:
        return _SYSTEMS[UnitSystem(system)]
    except ValueError as err:
        fix = did_you_mean(system, [one.value for one in UnitSystem])
        raise SettingsError(f"There are no units '{system}'.", fix=fix) from err


def per_power(mass: Unit, length: Unit, factor: float, power: float) -> float:
    """A factor of W = factor · D^power, in another mass and length: what D = 1 weighs.

    Parameters
    ----------
    factor : float
        g for a diameter of 1 mm.
    """
    return float(mass.shown(factor * length.size**power))

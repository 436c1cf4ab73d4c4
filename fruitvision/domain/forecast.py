"""What is published: the crop at the pick, by class and week."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fruitvision.domain.crop import BlockInputs
from fruitvision.domain.doubt import Doubts
from fruitvision.domain.estimate import Estimate, MadeWith


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeClass:
    """One class of a size table: half-open range, and how it fills a carton."""

    name: str
    low: float
    high: float
    fruit_per_carton: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeTable:
    """Classes by mass (g) or diameter (mm), touching each other, smallest first."""

    name: str
    unit: str
    carton_kg: float
    classes: tuple[SizeClass, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassForecast:
    """One size class at the pick: share of the picked fruit, and packed cartons."""

    size_class: str
    share: Estimate
    cartons: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class GradeForecast:
    """Packed cartons of one grade and size class; `size_class` is also "all"."""

    grade: str
    size_class: str
    cartons: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class WeekForecast:
    """Packed cartons of one size class that come in during one week. `week` is its Monday."""

    week: date
    size_class: str
    cartons: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class PickForecast:
    """What one pass through a block brings in."""

    pick_date: date
    fruit: Estimate
    diameter_mm: Estimate | None
    bins: Estimate | None
    cartons: Estimate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BridgeStep:
    """Change of the expected cartons by one cause. `cause` is a code, in the order of the work."""

    cause: str
    cartons: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """Why a forecast differs from an earlier one: steps that add up to the change.

    Cartons are means of the simulation, since means add up and medians do not.
    """

    earlier_id: str
    earlier_cartons: float
    steps: tuple[BridgeStep, ...]
    cartons: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UseQuantiles:
    """Which quantile of the forecast each user works with."""

    promise: float
    labour: float
    bins: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CropForecast:
    """A crop at the pick: a block, all blocks of a variety, or the farm.

    `fruit`, `bins` and `tonnes` are what comes in, culls included; `cartons` is what is packed.
    What can't be said honestly is None: sizes where no fruit was sized, bins, tonnes and cartons
    where also hidden fruit are unknown.
    """

    name: str
    variety: str
    pick_date: date | None
    fruit: Estimate
    diameter_mm: Estimate | None
    bins: Estimate | None
    tonnes: Estimate | None
    cartons: Estimate | None
    classes: tuple[ClassForecast, ...]
    doubts: Doubts
    picks: tuple[PickForecast, ...] = ()
    weeks: tuple[WeekForecast, ...] = ()
    # Plain words on what the number rests on.
    rests_on: str = ""
    # Empty where no block of the crop has grades.
    grades: tuple[GradeForecast, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """One published forecast: never changed afterwards, a correction is a new one."""

    forecast_id: str
    farm: str
    made_on: date
    size_table: str
    blocks: tuple[CropForecast, ...]
    varieties: tuple[CropForecast, ...]
    total: CropForecast
    next_action: str
    made_with: MadeWith
    # Running number on the farm, from 1; 0 while it is not stored.
    number: int = 0
    seed: int = 0
    inputs: tuple[BlockInputs, ...] = ()
    bridge: Bridge | None = None
    quantiles: UseQuantiles | None = None
    # Settings (all of them, as TOML) and size table that it was drawn with: with `inputs` and
    # `seed` they give the same numbers again. Empty and None in forecasts of earlier versions.
    settings_text: str = ""
    table: SizeTable | None = None
    # Other weather or other pick dates than planned, in words; empty for the forecast of record.
    what_if: str = ""

"""What comes in from a block: bins and cartons by pick, and the class of every packed fruit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import SizeTable
from fruitvision.settings import Settings
from fruitvision.simulate.season.dial import BINS, stream
from fruitvision.simulate.season.draw import SeasonBlock
from fruitvision.simulate.season.fates import CULLED, PACKED

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Class of a fruit that is not packed.
NOT_PACKED = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class PickResult:
    """What one pick brought in.

    `fruit`, `bins`, `tonnes` : all that was picked, culls included. `mean_mm` : of those, NaN if
    none. `culled_by_cause` : as in `plan.culls.causes`. `cartons` : of each class of the size
    table; fruit below and above the table fill none.
    """

    pick: int
    picked_on: date
    fruit: int
    bins: float
    tonnes: float
    mean_mm: float
    culled_by_cause: tuple[int, ...]
    cartons: tuple[float, ...]

    @property
    def culled(self) -> int:
        """Picked fruit that were not packed."""
        return sum(self.culled_by_cause)


def carton_classes(block: SeasonBlock, table: SizeTable) -> Ints:
    """(N,) class of each fruit: 0 below the table, 1 and up its classes, one more above it.

    `NOT_PACKED` for fruit that fell, were left, or were culled.
    """
    edges = [table.classes[0].low, *(size_class.high for size_class in table.classes)]
    sizes = block.mass_g if table.unit == "g" else block.pick_mm
    # A class holds fruit from its lower limit up to just below its upper one.
    classes = np.searchsorted(edges, sizes, side="right")
    return np.where(block.fate == PACKED, classes, NOT_PACKED)


def cartons_by_class(block: SeasonBlock, table: SizeTable, chosen: NDArray[np.bool_]) -> Floats:
    """(classes,) cartons that the chosen fruit fill, by number where a class has one, else by kg.

    Parameters
    ----------
    chosen : (N,) bool
        Of all fruit of the block; those that are not packed fill no carton in any case.
    """
    classes = carton_classes(block, table)
    inside = chosen & (classes != NOT_PACKED)
    size = len(table.classes) + 2
    count = np.bincount(classes[inside], minlength=size)[1:-1]
    kg = np.bincount(classes[inside], weights=block.mass_g[inside], minlength=size)[1:-1] / 1000
    carton_kg = block.plan.mass.carton_kg or table.carton_kg
    filled = [
        number / size_class.fruit_per_carton if size_class.fruit_per_carton else mass / carton_kg
        for size_class, number, mass in zip(table.classes, count, kg, strict=True)
    ]
    return np.array(filled, dtype=np.float64)


def harvest(
    block: SeasonBlock, table: SizeTable, *, bin_kg: float = Settings().bin_kg
) -> tuple[PickResult, ...]:
    """The true result of each pick, in order."""
    return tuple(
        _pick_result(block, table, pick, bin_kg)
        for pick in range(1, len(block.plan.pick_dates) + 1)
    )


def _pick_result(block: SeasonBlock, table: SizeTable, pick: int, bin_kg: float) -> PickResult:
    taken = block.pick == pick
    kg = float(block.mass_g[taken].sum()) / 1000
    causes = block.cull_cause[taken & (block.fate == CULLED)]
    by_cause = np.bincount(causes, minlength=len(block.plan.culls.causes))
    return PickResult(
        pick=pick,
        picked_on=block.plan.pick_dates[pick - 1],
        fruit=int(taken.sum()),
        bins=kg / bin_kg,
        tonnes=kg / 1000,
        mean_mm=float(block.pick_mm[taken].mean()) if taken.any() else float("nan"),
        culled_by_cause=tuple(by_cause.tolist()),
        cartons=tuple(cartons_by_class(block, table, taken).tolist()),
    )


def reported_harvest(
    block: SeasonBlock, table: SizeTable, seed: int, *, bin_fill_sd: float
) -> tuple[PickResult, ...]:
    """The result as the farm records it: bins are unequally full and counted whole.

    With `bin_fill_sd` 0 they are the true ones, to the fraction.
    """
    results = harvest(block, table)
    if bin_fill_sd <= 0.0:
        return results
    fills = stream(seed, block.plan.letter, BINS).normal(1.0, bin_fill_sd, len(results))
    return tuple(
        replace(result, bins=float(np.ceil(result.bins / max(fill, 0.5))))
        for result, fill in zip(results, fills, strict=True)
    )

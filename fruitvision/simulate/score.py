"""A forecast of the invented farm held against its truth."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import CropForecast, Estimate, Forecast, SizeTable
from fruitvision.unit_system import METRIC, Units

Array = NDArray[np.float64]

# A class with fewer true cartons is left out: it says nothing about a forecast. Our choice.
FEWEST_CARTONS = 20
# Numbers that have a unit, as they are named in `Scored.what`.
MEAN_DIAMETER = "mean diameter mm"
TONNES = "tonnes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """One forecast number and its truth."""

    name: str
    what: str
    forecast: Estimate
    truth: float

    @property
    def inside(self) -> bool:
        """Whether the truth lies from P10 to P90."""
        return self.forecast.p10 <= self.truth <= self.forecast.p90


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrueCrop:
    """What came in from a block: one entry a picked fruit, and which of them were packed."""

    diameter_mm: Array
    mass_g: Array
    packed: NDArray[np.bool_]


def read_truth(samples: Path) -> dict[str, TrueCrop]:
    """The picked fruit of each block, from truth.csv; dropped fruit are left out."""
    rows: dict[str, list[tuple[float, float, bool]]] = {}
    with (samples / "truth.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            if row["fate"] != "dropped":
                fruit = (
                    float(row["diameter_at_pick_mm"]),
                    float(row["mass_at_pick_g"]),
                    row["fate"] == "packed",
                )
                rows.setdefault(row["block"], []).append(fruit)
    return {
        block: TrueCrop(
            diameter_mm=np.array([diameter for diameter, _, _ in fruit]),
            mass_g=np.array([mass for _, mass, _ in fruit]),
            packed=np.array([packed for _, _, packed in fruit]),
        )
        for block, fruit in rows.items()
    }


def score_of(forecast: Forecast, samples: Path, table: SizeTable) -> tuple[Scored, ...]:
    """Every block's numbers beside their truth."""
    truth = read_truth(samples)
    return tuple(
        scored
        for crop in forecast.blocks
        if crop.name in truth
        for scored in score_block(crop, truth[crop.name], table)
    )


def score_block(crop: CropForecast, truth: TrueCrop, table: SizeTable) -> list[Scored]:
    """A block's numbers beside their truth; classes with few cartons are left out."""
    true_cartons = true_cartons_of(truth, table)
    pairs: list[tuple[str, Estimate | None, float]] = [
        ("fruit picked", crop.fruit, len(truth.mass_g)),
        (MEAN_DIAMETER, crop.diameter_mm, float(truth.diameter_mm.mean())),
        (TONNES, crop.tonnes, float(truth.mass_g.sum()) / 1e6),
        ("cartons", crop.cartons, sum(true_cartons.values())),
    ]
    pairs += [
        (f"cartons {row.size_class}", row.cartons, true_cartons[row.size_class])
        for row in crop.classes
        if true_cartons.get(row.size_class, 0) >= FEWEST_CARTONS
    ]
    return [
        Scored(name=crop.name, what=what, forecast=estimate, truth=value)
        for what, estimate, value in pairs
        if estimate is not None
    ]


def true_cartons_of(truth: TrueCrop, table: SizeTable) -> dict[str, float]:
    """Cartons that the packed fruit of a block fill, by class."""
    sizes = truth.mass_g if table.unit == "g" else truth.diameter_mm
    cartons = {}
    for size_class in table.classes:
        inside = truth.packed & (sizes >= size_class.low) & (sizes < size_class.high)
        if size_class.fruit_per_carton:
            cartons[size_class.name] = float(inside.sum()) / size_class.fruit_per_carton
        else:
            cartons[size_class.name] = float(truth.mass_g[inside].sum()) / 1000 / table.carton_kg
    return cartons


def score_lines(scored: Sequence[Scored], units: Units = METRIC) -> list[str]:
    """The comparison in plain lines."""
    inside = sum(item.inside for item in scored)
    lines = [
        "",
        f"Against the truth of the invented farm: {inside} of {len(scored)} numbers lie inside "
        "P10–P90 (right is about 8 of 10; numbers of one block err together).",
    ]
    named = {
        MEAN_DIAMETER: (f"mean diameter {units.diameter.symbol}", units.diameter),
        TONNES: (units.crop.name.replace("_", " "), units.crop),
    }
    for item in scored:
        what, unit = named.get(item.what, (item.what, None))
        digits = unit.decimals(1) if unit else 0
        truth, low, mid, high = (
            f"{unit.shown(value) if unit else value:,.{digits}f}"
            for value in (item.truth, item.forecast.p10, item.forecast.p50, item.forecast.p90)
        )
        lines.append(
            f"  {item.name:<12} {what:<18} forecast {mid} ({low}–{high}), true {truth}"
            f"{'' if item.inside else '   outside'}"
        )
    return lines

"""What a forecast expects without any error: fruit by class, and cartons, at other sizes too.

The forecast's own chain (shape of the sizes, growth, passes, mass rule, classes) at its expected
values, so that packed cartons can be read in mm: what must the mean and the spread have been, that
these classes came out? What was learned before is left out, so that it is not learned twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import BlockInputs, SizeDistribution, SizeTable
from fruitvision.forecast.culls import cull_shares
from fruitvision.forecast.inputs import what_if
from fruitvision.forecast.packout import (
    DrawnSizes,
    Sorted,
    cartons_per_class,
    sort_into_classes,
)
from fruitvision.forecast.season import SMALLEST_MM, Season
from fruitvision.forecast.shared import SharedErrors
from fruitvision.settings import Settings

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeMove:
    """Other sizes at the pick than expected: so many mm more, and so many times the spread."""

    mm: float = 0.0
    stretch: float = 1.0


AS_EXPECTED = SizeMove()


class ExpectedCrop:
    """Sizes of one block at its picks, by one size table, as a forecast expects them.

    Parameters
    ----------
    inputs : BlockInputs
        Of the forecast; the block must have sizes.
    table : SizeTable
        Classes to sort into.
    settings : Settings
        Those of the forecast.
    days_late : int
        Days that the picks came later than planned.
    """

    def __init__(
        self, inputs: BlockInputs, table: SizeTable, settings: Settings, *, days_late: int = 0
    ) -> None:
        sizes = inputs.estimate.sizes
        if sizes is None:
            raise ValueError("the block has no sizes")
        plain = replace(what_if(inputs, settings, days=days_late), learned=None)
        self._passes = _passes(plain, sizes, settings)
        self._nodes = self._passes[0].season.nodes
        self._weight, self._table = inputs.weight, table
        self.cull_shares = cull_shares(_known_classes(plain, table).losses, table)

    @property
    def cull_share(self) -> float:
        """Share of the fruit within the table that is not packed."""
        inside = self.shares(AS_EXPECTED)[1:-1]
        return float(inside @ self.cull_shares / max(inside.sum(), 1e-12))

    def mean_mm(self, move: SizeMove = AS_EXPECTED) -> float:
        """Mean diameter of what is picked."""
        taken = sum(float(one.weights.sum()) for one in self._passes)
        mm = sum(
            one.mean_mm * float(one.weights.sum())
            + move.stretch * float(one.weights.sum(axis=1) @ self._nodes.deviations_mm)
            for one in self._passes
        )
        return mm / taken + move.mm

    def sd_mm(self, move: SizeMove = AS_EXPECTED) -> float:
        """Standard deviation of the diameter of what is picked."""
        weights = np.concatenate([one.weights.sum(axis=1) for one in self._passes])
        mm = np.concatenate(
            [one.mean_mm + move.stretch * self._nodes.deviations_mm for one in self._passes]
        )
        mean = float(weights @ mm / weights.sum())
        return float((weights @ (mm - mean) ** 2 / weights.sum()) ** 0.5)

    def mean_g(self, move: SizeMove = AS_EXPECTED) -> float:
        """Mean mass of what is picked, g."""
        return float(self._sorted(move).total_g[0] / self._taken())

    def shares(self, move: SizeMove = AS_EXPECTED) -> Array:
        """(classes + 2,) share of the picked fruit below the table, in its classes, above it."""
        return np.asarray(self._sorted(move).shares[0] / self._taken())

    def shares_of(self, mm: Array, stretch: Array) -> Array:
        """(moves, classes + 2) shares for many moves at once."""
        return np.asarray(self._sort(mm, stretch).shares / self._taken())

    def class_g(self) -> Array:
        """(classes,) mean mass of the fruit in each class at the expected sizes, g; that of the
        limits where none is expected."""
        found = self._sort(np.zeros(1), np.ones(1), by_mass=True)
        number = found.shares[0, 1:-1]
        mass = np.zeros_like(number) if found.mass_g is None else found.mass_g[0, 1:-1]
        limits = np.array([[one.low, one.high] for one in self._table.classes])
        if self._table.unit == "mm":
            limits = self._weight.factor * limits**self._weight.power
        return np.where(number > 1e-9, mass / np.maximum(number, 1e-12), limits.mean(axis=1))

    def cartons(
        self, *, fruit: float, move: SizeMove = AS_EXPECTED, more_culls: float = 0.0
    ) -> float:
        """Packed cartons of so many picked fruit; culls of every class so many shares more."""
        packed = np.clip(1 - self.cull_shares - more_culls, 0.0, 1.0)
        found = self._sorted(move)
        per_class = cartons_per_class(
            found, packed_fruit=fruit / self._taken() * packed[np.newaxis], table=self._table
        )
        return float(per_class.sum())

    def _taken(self) -> float:
        return float(sum(one.weights.sum() for one in self._passes))

    def _sorted(self, move: SizeMove) -> Sorted:
        return self._sort(np.array([move.mm]), np.array([move.stretch]))

    def _sort(self, mm: Array, stretch: Array, *, by_mass: bool = False) -> Sorted:
        """The passes sorted and added."""
        table = _without_counts(self._table) if by_mass else self._table
        found = [
            sort_into_classes(
                self._nodes,
                one.weights,
                DrawnSizes(
                    mean_mm=np.maximum(one.mean_mm + mm, SMALLEST_MM),
                    stretch=stretch,
                    factor=np.full(len(mm), self._weight.factor),
                    power=self._weight.power,
                ),
                table,
            )
            for one in self._passes
        ]
        masses = [one.mass_g for one in found if one.mass_g is not None]
        return Sorted(
            shares=np.sum([one.shares for one in found], axis=0),
            mass_g=np.sum(masses, axis=0) if masses else None,
            total_g=np.sum([one.total_g for one in found], axis=0),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Pass:
    season: Season
    weights: Array
    mean_mm: float


def _passes(inputs: BlockInputs, sizes: SizeDistribution, settings: Settings) -> tuple[_Pass, ...]:
    few = replace(settings, draws=100)
    season = Season(inputs, sizes, few, SharedErrors(*np.zeros((8, few.draws))))
    return tuple(
        _Pass(season=season, weights=weights, mean_mm=season.expected_mm(pick.pick_date))
        for pick, weights in zip(inputs.plan.picks, season.taken(), strict=True)
    )


def _without_counts(table: SizeTable) -> SizeTable:
    """The table with every class packed by weight, so that masses are worked out."""
    classes = tuple(replace(one, fruit_per_carton=None) for one in table.classes)
    return replace(table, classes=classes)


def _known_classes(inputs: BlockInputs, table: SizeTable) -> BlockInputs:
    """Without culls of classes that this table lacks."""
    names = {one.name for one in table.classes}
    culls = tuple(one for one in inputs.losses.culls_by_class if one.size_class in names)
    return replace(inputs, losses=replace(inputs.losses, culls_by_class=culls))

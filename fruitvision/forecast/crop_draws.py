"""A crop drawn many times, and crops added draw by draw: one after the other, so that the total of
many blocks takes the memory of one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.forecast.grades import AddedGrades

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PassDraws:
    """What one pass brings in, drawn many times: (draws,), and (draws, classes) for cartons.

    `days_late` are whole days after `pick_date`. Sizes are None where they, or hidden fruit, are
    unknown.
    """

    pick_date: date
    days_late: NDArray[np.int64]
    fruit: Array
    diameter_mm: Array | None = None
    tonnes: Array | None = None
    cartons: Array | None = None
    class_fruit: Array | None = None


@dataclass(frozen=True, slots=True, eq=False)
class CropDraws:
    """One crop drawn many times: (draws,) each, and (draws, classes) for cartons and class_fruit.

    `grades` are cartons by grade, (draws, classes) each; none where no block has grades. `fruit`
    are those that come in. `unsure_fruit` are those of blocks that allow no cartons by
    class, `far_fruit` those of picks too far ahead for more than the peak classes.

    A block has its `passes`. A total of blocks has none, but `weeks`: cartons by the Monday of
    their week (ordinal), (draws, classes) each; none where cartons are unknown.
    """

    fruit: Array
    diameter_mm: Array | None
    tonnes: Array | None
    cartons: Array | None
    class_fruit: Array | None
    passes: tuple[PassDraws, ...]
    unsure_fruit: Array
    far_fruit: Array
    grades: Mapping[str, Array] = field(default_factory=dict)
    weeks: Mapping[int, Array] = field(default_factory=dict)


def crop_of(passes: Sequence[PassDraws], *, unsure_fruit: Array, far_fruit: Array) -> CropDraws:
    """The crop of a block: its passes added draw by draw."""
    sums = _PassSums()
    for one in passes:
        sums.add(one)
    return sums.crop(tuple(passes), unsure_fruit=unsure_fruit, far_fruit=far_fruit)


def add_draws(crops: Iterable[CropDraws]) -> CropDraws:
    """Crops of blocks added draw by draw, see `RunningTotal`."""
    total = RunningTotal()
    for crop in crops:
        total.add(crop)
    return total.crop()


class RunningTotal:
    """Crops of blocks added draw by draw, so that shared errors stay shared; none of them is held.

    Tonnes and cartons are None if any crop lacks them: a total that leaves out a block would read
    as if it were whole. The mean diameter is weighted by fruit.
    """

    def __init__(self) -> None:
        self._passes = _PassSums()
        self._unsure, self._far = _Sum(), _Sum()
        self._grades = AddedGrades()
        self._weeks = AddedWeeks()

    def add(self, crop: CropDraws) -> None:
        """One block more."""
        for one in crop.passes:
            self._passes.add(one)
            self._weeks.add(one)
        self._unsure.add(crop.unsure_fruit)
        self._far.add(crop.far_fruit)
        self._grades.add(crop.cartons, crop.grades)

    def crop(self) -> CropDraws:
        """The total so far, of one block or more.

        Raises
        ------
        ValueError
            If nothing was added.
        """
        if self._unsure.total is None or self._far.total is None:
            raise ValueError("a total needs one crop or more")
        whole = self._passes.crop((), unsure_fruit=self._unsure.total, far_fruit=self._far.total)
        if whole.cartons is None:
            return whole
        return replace(whole, grades=self._grades.total(), weeks=self._weeks.total())


class _Sum:
    """Arrays added up; None as soon as one of them is."""

    def __init__(self) -> None:
        self.total: Array | None = None
        self._lacks = False

    def add(self, part: Array | None) -> None:
        self._lacks |= part is None
        if part is None or self._lacks:
            self.total = None
        else:
            self.total = part.copy() if self.total is None else np.add(self.total, part, self.total)


class _PassSums:
    """Passes added up."""

    def __init__(self) -> None:
        self._number = 0
        self._fruit, self._tonnes, self._cartons, self._class_fruit = (_Sum() for _ in range(4))
        self._weighted, self._plain = _Sum(), _Sum()

    def add(self, one: PassDraws) -> None:
        self._number += 1
        self._fruit.add(one.fruit)
        self._tonnes.add(one.tonnes)
        self._cartons.add(one.cartons)
        self._class_fruit.add(one.class_fruit)
        self._weighted.add(None if one.diameter_mm is None else one.diameter_mm * one.fruit)
        self._plain.add(one.diameter_mm)

    def crop(
        self, passes: tuple[PassDraws, ...], *, unsure_fruit: Array, far_fruit: Array
    ) -> CropDraws:
        fruit = self._fruit.total
        if fruit is None:
            raise ValueError("a crop needs one pass or more")
        return CropDraws(
            fruit=fruit,
            diameter_mm=self._mean_diameter(fruit),
            tonnes=self._tonnes.total,
            cartons=self._cartons.total,
            class_fruit=self._class_fruit.total,
            passes=passes,
            unsure_fruit=unsure_fruit,
            far_fruit=far_fruit,
        )

    def _mean_diameter(self, fruit: Array) -> Array | None:
        """Mean weighted by fruit, (draws,); in a draw without any fruit the passes count alike,
        since a diameter of 0 would be taken for a small one."""
        weighted, plain = self._weighted.total, self._plain.total
        if weighted is None or plain is None:
            return None
        return np.where(fruit > 0, weighted / np.maximum(fruit, 1e-9), plain / self._number)


# ---------------------------------------------------------------- weeks


class AddedWeeks:
    """Cartons of passes by week, added one after the other."""

    def __init__(self) -> None:
        self._weeks: dict[int, Array] = {}
        self._lacks = False

    def add(self, one: PassDraws) -> None:
        """Each draw's cartons to the week that they come in."""
        if one.cartons is None or self._lacks:
            self._lacks, self._weeks = True, {}
            return
        day = one.pick_date.toordinal() + one.days_late
        # Ordinal 1 is a Monday.
        mondays = day - (day - 1) % 7
        for monday in np.unique(mondays).tolist():
            inside = mondays == monday
            if monday not in self._weeks:
                self._weeks[monday] = np.zeros_like(one.cartons)
            self._weeks[monday][inside] += one.cartons[inside]

    def total(self) -> dict[int, Array]:
        """By the Monday of the week (ordinal), (draws, classes) each; none where unknown."""
        return self._weeks


def cartons_by_week(crop: CropDraws) -> Mapping[int, Array]:
    """Cartons by the Monday of their week (ordinal), (draws, classes) each; none where unknown."""
    if not crop.passes:
        return crop.weeks
    found = AddedWeeks()
    for one in crop.passes:
        found.add(one)
    return found.total()

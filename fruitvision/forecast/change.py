"""What sales asks of a new forecast: which class of which week changed, by how much, and why.

All numbers are expected cartons (means of the simulation), so that they add up: the classes of a
week to the week, the weeks to the variety, the varieties to the farm's bridge. P10, P50 and P90 do
not add up, and the change of a P50 is another number than these.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from fruitvision.domain import BridgeStep, CropForecast, Forecast, SizeTable
from fruitvision.forecast.bridge import CAUSES, Cell, Cells, stages, steps_between
from fruitvision.forecast.drawn_with import drawn_again_with
from fruitvision.forecast.summary import ALL, LARGER, SMALLER

# A step smaller than this is no reason. Our choice: half a carton, as in the bridge.
SMALLEST_REASON = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassChange:
    """Expected cartons of one class and week of a variety in an earlier forecast and now.

    `week` is its Monday, None for the sum of several; the steps add up to the change.
    """

    variety: str
    week: date | None
    size_class: str
    earlier_cartons: float
    cartons: float
    steps: tuple[BridgeStep, ...]

    @property
    def change(self) -> float:
        """Cartons more than before."""
        return self.cartons - self.earlier_cartons

    def reasons(self, most: int) -> tuple[BridgeStep, ...]:
        """The largest steps, the largest first."""
        found = [step for step in self.steps if abs(step.cartons) >= SMALLEST_REASON]
        return tuple(sorted(found, key=lambda step: -abs(step.cartons))[:most])


def changes_by_class(earlier: Forecast, now: Forecast) -> tuple[ClassChange, ...]:
    """Every class and week of either forecast, by variety and week, small classes first.

    Classes are the rows of the present forecast's tables: classes that it merges far ahead are
    merged here, and a variety that is a first look in either forecast has one row a week, "all".

    Raises
    ------
    ForecastError
        If one of the two was made by a version that did not keep what it was drawn from.
    """
    table = drawn_again_with(now).table
    found = stages(
        earlier, now.inputs, drawn_again_with(now), earlier_with=drawn_again_with(earlier)
    )
    row_of = _rows(earlier, now, table)
    merged = [_merged(cells, row_of) for cells in found]
    order = _order(now, table)
    return tuple(
        _change(cell, [cells.get(cell, 0.0) for cells in merged])
        for cell in sorted(set().union(*merged), key=order)
    )


def added(changes: Sequence[ClassChange]) -> ClassChange:
    """Changes added up, the steps cause by cause. Variety and week stay where they are the same."""
    varieties = {one.variety for one in changes}
    weeks = {one.week for one in changes}
    totals = dict.fromkeys(CAUSES, 0.0)
    for one in changes:
        for step in one.steps:
            totals[step.cause] += step.cartons
    return ClassChange(
        variety=varieties.pop() if len(varieties) == 1 else "",
        week=weeks.pop() if len(weeks) == 1 else None,
        size_class=ALL,
        earlier_cartons=sum(one.earlier_cartons for one in changes),
        cartons=sum(one.cartons for one in changes),
        steps=tuple(BridgeStep(cause=cause, cartons=sum_) for cause, sum_ in totals.items()),
    )


def _change(cell: Cell, stage_cartons: Sequence[float]) -> ClassChange:
    variety, week, size_class = cell
    return ClassChange(
        variety=variety,
        week=week,
        size_class=size_class,
        earlier_cartons=stage_cartons[0],
        cartons=stage_cartons[-1],
        steps=steps_between(stage_cartons),
    )


# ---------------------------------------------------------------- rows

RowOf = Callable[[str, str], str]


def _merged(cells: Cells, row_of: RowOf) -> Cells:
    merged: dict[Cell, float] = {}
    for (variety, week, size_class), cartons in cells.items():
        cell = variety, week, row_of(variety, size_class)
        merged[cell] = merged.get(cell, 0.0) + cartons
    return merged


def _rows(earlier: Forecast, now: Forecast, table: SizeTable) -> RowOf:
    """Which row of the tables a class of a variety stands in."""
    rows: dict[str, Mapping[str, str] | None] = {
        crop.variety: rows_of_classes(crop, table) for crop in now.varieties
    }
    rows |= {crop.variety: None for crop in earlier.varieties if not crop.classes}

    def row_of(variety: str, size_class: str) -> str:
        of_variety = rows.get(variety, {})
        return ALL if of_variety is None else of_variety.get(size_class, size_class)

    return row_of


def rows_of_classes(crop: CropForecast, table: SizeTable) -> Mapping[str, str] | None:
    """Rows of the classes that do not stand alone; None where the crop has no classes at all."""
    if not crop.classes:
        return None
    alone = {item.size_class for item in crop.classes}
    if SMALLER not in alone:
        return {}
    names = [size_class.name for size_class in table.classes]
    first = min(index for index, name in enumerate(names) if name in alone)
    return {
        name: SMALLER if index < first else LARGER
        for index, name in enumerate(names)
        if name not in alone
    }


def _order(now: Forecast, table: SizeTable) -> Callable[[Cell], tuple[int, date, int, str]]:
    varieties = [crop.variety for crop in now.varieties]
    rows = [SMALLER, *(size_class.name for size_class in table.classes), LARGER, ALL]

    def key(cell: Cell) -> tuple[int, date, int, str]:
        variety, week, row = cell
        return _place(variety, varieties), week, _place(row, rows), row

    return key


def _place(name: str, names: Collection[str]) -> int:
    """Where a name stands; those that are not there come last."""
    return list(names).index(name) if name in names else len(names)

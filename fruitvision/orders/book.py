"""Orders held against a forecast: what is sold of each class and week, what is short, what is safe.

* An order of a week is filled from fruit packed in that week or an earlier one, of its variety, its
  classes and, where it names one, its grade. Our choice: what is left of a week is kept in store
  and not lost; that store costs and loses fruit is not told.
* Firm orders go before options, and an earlier line of the order book before a later one. Our
  choice: first come, first served, and the one who types the book sets the order.
* A level takes the number of every cell at that level (all at P10, or all at P50) as what is there.
  Our choice. Cells of one class or week are not all low at once, so at P10 orders over several
  cells are told with more caution than one chance in ten.
* What can't be filled stands in the order's week, in the one of its classes that brings most.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import floor

import numpy as np

from fruitvision.domain import CropForecast, Estimate, Forecast, OrderLine, SizeTable
from fruitvision.errors import FieldDataError, ForecastError
from fruitvision.forecast.change import rows_of_classes
from fruitvision.forecast.summary import ALL
from fruitvision.orders.allocate import Wanted, allocation, rooms
from fruitvision.orders.classes import classes_meant

# Of two ways that fill the same, fruit of the order's own week are taken before fruit that wait,
# and then those of the class that brings most. Our choice: a week of waiting weighs more than any
# class.
_OF_A_WEEK, _OF_A_CLASS = 1.0, 0.5
# What a number may lie below a whole carton by its last digits.
_ROUNDING = 1e-6

Cell = tuple[date, str]
Level = Callable[[Estimate], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """Whole cartons of a cell that are there and that are sold; `left` is below 0 if oversold.

    `of_several` : those of `sold` that stand there for orders which other classes may fill too.
    """

    there: int
    sold: int
    of_several: int = 0

    @property
    def left(self) -> int:
        """Cartons that are there and not sold."""
        return self.there - self.sold


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderCell:
    """One class (a row of the forecast's table by class) and week (its Monday) of a variety.

    `p10`, `p50` : with the forecast's P10 and P50 of all cells, all orders counted. `safe` :
    cartons that may yet be promised of this class for this week at P10, from this or earlier weeks,
    with every firm order filled as far as it can be, options not counted. Two cells may have the
    same fruit in `safe`: it is one promise or the other.
    """

    variety: str
    week: date
    size_class: str
    cartons: Estimate
    p10: Taken
    p50: Taken
    safe: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedLine:
    """An order, the cartons of it that can't be filled at P10 and P50, and why if none can."""

    order: OrderLine
    short_p10: int
    short_p50: int
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedOrders:
    """Cells by variety and week, small classes first; lines as in the order book."""

    forecast_id: str
    cells: tuple[OrderCell, ...]
    lines: tuple[CheckedLine, ...]

    @property
    def oversold(self) -> tuple[OrderCell, ...]:
        """Cells that are oversold at P10."""
        return tuple(one for one in self.cells if one.p10.left < 0)


def check_orders(forecast: Forecast, orders: Sequence[OrderLine]) -> CheckedOrders:
    """Hold orders against a forecast.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep its size table.
    """
    if forecast.table is None:
        raise ForecastError(
            f"Forecast {forecast.forecast_id} was made by an earlier version, which did not keep "
            "its size table.",
            fix="Make a new forecast.",
        )
    cells: list[OrderCell] = []
    checked: dict[int, CheckedLine] = {}
    for crop in forecast.varieties:
        of_crop = {i: line for i, line in enumerate(orders) if line.variety == crop.variety}
        stock = _Stock(crop, forecast.table, list(of_crop.values()))
        cells += stock.cells()
        checked |= dict(zip(of_crop, stock.checked(), strict=True))
    for index, line in enumerate(orders):
        if index not in checked:
            checked[index] = _unfilled(line, f"The forecast has no {line.variety}.")
    return CheckedOrders(
        forecast_id=forecast.forecast_id,
        cells=tuple(cells),
        lines=tuple(checked[index] for index in range(len(orders))),
    )


def _unfilled(line: OrderLine, why: str) -> CheckedLine:
    return CheckedLine(order=line, short_p10=line.cartons, short_p50=line.cartons, why=why)


# ---------------------------------------------------------------- one variety


@dataclass(frozen=True, slots=True)
class _Part:
    """A cell, or what one grade has of it."""

    week: date
    row: str
    grade: str
    cartons: Estimate


@dataclass(frozen=True, slots=True)
class _Sold:
    """At one level: cartons there by cell, sold by cell (in all, and to orders over several
    classes), and short by line, firm lines first."""

    there: Mapping[Cell, int]
    sold: Mapping[Cell, int]
    of_several: Mapping[Cell, int]
    short: Sequence[int]


class _Stock:
    """The fruit of one variety, and the orders for it."""

    def __init__(self, crop: CropForecast, table: SizeTable, orders: Sequence[OrderLine]) -> None:
        self._crop = crop
        self._orders = orders
        self._rows = _classes_of_rows(crop, table)
        self._parts = _parts(crop, self._rows, graded=any(line.grade for line in orders))
        self._meant = [self._rows_and_why(line, table) for line in orders]
        # Places of the orders that some row can fill, firm ones first.
        self._served = sorted(
            (i for i, (rows, _) in enumerate(self._meant) if rows),
            key=lambda i: not orders[i].firm,
        )
        self._p10 = self._sold(lambda cartons: cartons.p10)
        self._p50 = self._sold(lambda cartons: cartons.p50)

    def cells(self) -> list[OrderCell]:
        """Every cell of the forecast, and those that orders name beyond it."""
        known = {
            (row.week, row.size_class): row.cartons
            for row in self._crop.weeks
            if row.size_class in self._rows
        }
        order = list(self._rows)
        found = sorted(
            {*known, *self._p10.sold, *self._p50.sold},
            key=lambda cell: (cell[0], order.index(cell[1])),
        )
        return [
            OrderCell(
                variety=self._crop.variety,
                week=cell[0],
                size_class=cell[1],
                cartons=known.get(cell, Estimate(0.0, 0.0, 0.0)),
                p10=_taken(self._p10, cell),
                p50=_taken(self._p50, cell),
                safe=safe,
            )
            for cell, safe in zip(found, self._safe(found), strict=True)
        ]

    def checked(self) -> list[CheckedLine]:
        """The orders, in their order."""
        places = {i: place for place, i in enumerate(self._served)}
        return [
            CheckedLine(
                order=line,
                short_p10=self._p10.short[places[i]],
                short_p50=self._p50.short[places[i]],
                why=self._meant[i][1],
            )
            if i in places
            else _unfilled(line, self._meant[i][1])
            for i, line in enumerate(self._orders)
        ]

    def _rows_and_why(self, line: OrderLine, table: SizeTable) -> tuple[frozenset[str], str]:
        """The rows that may fill an order; where none may, or none is packed by then, why."""
        variety = self._crop.variety
        if self._crop.cartons is None:
            return frozenset(), f"Cartons of {variety} are not known yet."
        try:
            classes = classes_meant(line.classes, table)
        except FieldDataError as err:
            return frozenset(), err.what
        rows = frozenset(row for row, held in self._rows.items() if held <= classes)
        if not rows and not self._crop.classes:
            return rows, f"The forecast of {variety} is a first look: no cartons by class."
        if not rows:
            return rows, f"Classes {line.classes} are not told by themselves so far ahead."
        if line.grade and line.grade not in {part.grade for part in self._parts}:
            return frozenset(), f"The forecast tells no grade {line.grade} of {variety}."
        packed = any(part.week <= line.week and part.row in rows for part in self._parts)
        return rows, "" if packed else "None of it is packed by then."

    def _wanted(self, i: int, there: Sequence[int]) -> Wanted:
        line, (rows, _) = self._orders[i], self._meant[i]
        cells = [
            index
            for index, part in enumerate(self._parts)
            if part.row in rows
            and part.week <= line.week
            and (not line.grade or part.grade == line.grade)
        ]
        most = max(there, default=0) or 1
        return Wanted(
            cartons=line.cartons,
            cells=tuple(cells),
            costs=tuple(
                _OF_A_WEEK * (line.week - self._parts[index].week).days / 7
                + _OF_A_CLASS * (1 - there[index] / most)
                for index in cells
            ),
        )

    def _sold(self, level: Level) -> _Sold:
        there = _whole(self._parts, level)
        wanted = [self._wanted(i, there) for i in self._served]
        taken = allocation(there, wanted)
        got = taken.sum(axis=1)
        over_several = [len(self._meant[i][0]) > 1 for i in self._served]
        sold = self._by_cell(taken.sum(axis=0).tolist())
        of_several = self._by_cell(taken[over_several].sum(axis=0).tolist())
        short = [one.cartons - int(filled) for one, filled in zip(wanted, got, strict=True)]
        for i, cartons in zip(self._served, short, strict=True):
            if cartons:
                cell = self._orders[i].week, self._largest_row(i, there)
                sold[cell] = sold.get(cell, 0) + cartons
                if len(self._meant[i][0]) > 1:
                    of_several[cell] = of_several.get(cell, 0) + cartons
        there_by_cell = self._by_cell(there)
        return _Sold(there=there_by_cell, sold=sold, of_several=of_several, short=short)

    def _by_cell(self, cartons_by_part: Sequence[int]) -> dict[Cell, int]:
        found: dict[Cell, int] = {}
        for part, cartons in zip(self._parts, cartons_by_part, strict=True):
            cell = part.week, part.row
            found[cell] = found.get(cell, 0) + cartons
        return found

    def _largest_row(self, i: int, there: Sequence[int]) -> str:
        """The row of an order that brings most up to its week; the smallest fruit if none does."""
        line, (rows, _) = self._orders[i], self._meant[i]
        brings = {row: 0 for row in self._rows if row in rows}
        for part, cartons in zip(self._parts, there, strict=True):
            if part.row in brings and part.week <= line.week:
                brings[part.row] += cartons
        return max(brings, key=lambda row: brings[row])

    def _safe(self, cells: Sequence[Cell]) -> list[int]:
        there = _whole(self._parts, lambda cartons: cartons.p10)
        firm = [self._wanted(i, there) for i in self._served if self._orders[i].firm]
        groups = [
            [
                index
                for index, part in enumerate(self._parts)
                if part.row == row and part.week <= week
            ]
            for week, row in cells
        ]
        return rooms(there, firm, groups)


def _taken(level: _Sold, cell: Cell) -> Taken:
    return Taken(
        there=level.there.get(cell, 0),
        sold=level.sold.get(cell, 0),
        of_several=level.of_several.get(cell, 0),
    )


def _whole(parts: Sequence[_Part], level: Level) -> list[int]:
    return [floor(level(part.cartons) + _ROUNDING) for part in parts]


def _classes_of_rows(crop: CropForecast, table: SizeTable) -> dict[str, frozenset[str]]:
    """The classes that each row of a crop's tables holds, small fruit first."""
    names = [one.name for one in table.classes]
    merged = rows_of_classes(crop, table)
    if merged is None:
        return {ALL: frozenset(names)}
    found: dict[str, frozenset[str]] = {}
    for name in names:
        row = merged.get(name, name)
        found[row] = found.get(row, frozenset()) | {name}
    return found


def _parts(
    crop: CropForecast, rows: Mapping[str, frozenset[str]], *, graded: bool
) -> tuple[_Part, ...]:
    """The crop's cells by week; with `graded` parted into its grades."""
    shares = _grade_shares(crop) if graded else {}
    return tuple(
        _Part(row.week, row.size_class, grade, _times(row.cartons, share))
        for row in crop.weeks
        if row.size_class in rows
        for grade, share in shares.get(row.size_class, {"": 1.0}).items()
    )


def _grade_shares(crop: CropForecast) -> dict[str, dict[str, float]]:
    """Share of each grade in the packed cartons of a row.

    Grades part a class by shares that do not err, so every quantile of a grade is that share of the
    class's; P90 is above 0 wherever a row is told.
    """
    whole = {row.size_class: row.cartons.p90 for row in crop.classes}
    if crop.cartons is not None:
        whole[ALL] = crop.cartons.p90
    found: dict[str, dict[str, float]] = {}
    for row in crop.grades:
        if whole.get(row.size_class, 0.0) > 0:
            share = row.cartons.p90 / whole[row.size_class]
            found.setdefault(row.size_class, {})[row.grade] = share
    return found


def _times(cartons: Estimate, share: float) -> Estimate:
    low, mid, high = (
        float(one) for one in np.multiply((cartons.p10, cartons.p50, cartons.p90), share)
    )
    return Estimate(low, mid, high)

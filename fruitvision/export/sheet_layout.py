"""What of a sales sheet stands on its one page, and what is left to the workbook.

A short sheet has a line for each class of each week. A long one has a table of classes by weeks,
with P50, the change, and P10 to P90 in each cell. Either way what has no room is named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from fruitvision.export.ink import Type, width_of
from fruitvision.export.sheet_words import LEAST_CARTONS, week_words
from fruitvision.forecast.change import SMALLEST_REASON
from fruitvision.sheet import SalesSheet, SheetLine

# Lines of a short sheet, and classes and weeks of a long one. Our choice: so many are read without
# a lens on A4 and Letter, and leave room for what must be said below them.
MOST_LINES = 33
MOST_CLASSES = 14
MOST_WEEKS = 10
# Room of a long sheet for its columns of weeks on Letter, upright and lying, points: its width less
# margins, names and bars.
_UPRIGHT, _LYING = 388.0, 594.0
# Room beside the words of a cell, and its smallest type, points.
_PAD, _SMALLEST = 7.0, 6.5
# A farm that promises at another quantile than P10 has that number in each cell.
P10 = 0.1
# Fewer cartons than this have a decimal, as on the page of sales.
_FEW = 9.95
# Names of a list in a sentence; more are counted. Our choice.
_NAMED = 8

Item = TypeVar("Item", str, date)


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Classes and weeks that are shown, whether as lines and on the paper's long side, and what is
    left out, in words."""

    classes: tuple[str, ...]
    weeks: tuple[date, ...]
    as_lines: bool
    wide: bool
    left_out: str


def page_of(sheet: SalesSheet) -> Page:
    """What stands on the page of a sheet; of too many classes or weeks those that bring most."""

    def of_class(name: str) -> SheetLine:
        return sheet.line(None, name)

    counted = [name for name in sheet.classes if _counts(of_class(name))]
    classes = _largest(counted, MOST_CLASSES, of_class)
    all_weeks = [week for week in sheet.weeks if _counts(sheet.line(week))]
    # A head and a sum for each week; without classes a line.
    a_week = len(classes) + 2 if classes else 1
    as_lines = a_week * (len(all_weeks) + (len(all_weeks) > 1)) <= MOST_LINES
    column = _PAD + max(_cell_width(sheet, line) for line in sheet.lines)
    most = MOST_LINES if as_lines else min(MOST_WEEKS, max(1, int(_LYING / column) - 1))
    weeks = _largest(all_weeks, most, sheet.line)
    left_classes = [f"class {name}" for name in sheet.classes if name not in classes]
    left_weeks = [f"week {week_words(week)}" for week in sheet.weeks if week not in weeks]
    left = [*_named(left_classes), *_named(left_weeks)]
    if not as_lines:
        left += ["means and reasons class by class"]
    return Page(
        classes=classes,
        weeks=weeks,
        as_lines=as_lines,
        wide=not as_lines and column * (len(weeks) + 1) > _UPRIGHT,
        left_out=f"{', '.join(left)}." if left else "",
    )


def below_words(sheet: SalesSheet, line: SheetLine) -> str:
    """What stands below P50 in a cell: what is safe where that is not P10, and P10 to P90."""
    cartons = line.cartons
    words = f"{amount(cartons.p10)}–{amount(cartons.p90)}"
    if sheet.promise_quantile in (None, P10):
        return words
    return f"{amount(line.safe_cartons)}; {words}"


def _cell_width(sheet: SalesSheet, line: SheetLine) -> float:
    """Room that the words of a cell take, points."""
    small, bold = Type(size=_SMALLEST), Type(size=9, bold=True)
    above = width_of(amount(line.cartons.p50), bold)
    if line.change_cartons is not None:
        above += 5 + width_of(change(line.change_cartons), small)
    return max(above, width_of(below_words(sheet, line), small))


def _counts(line: SheetLine) -> bool:
    """Whether a carton may come in at P90, or the change is half a carton's."""
    moved = line.change_cartons is not None and abs(line.change_cartons) >= SMALLEST_REASON
    return line.cartons.p90 >= LEAST_CARTONS or moved


def _largest(
    items: Sequence[Item], most: int, line: Callable[[Item], SheetLine]
) -> tuple[Item, ...]:
    """Those that bring most at P90, in the order in which they stood."""
    by_size = sorted(items, key=lambda item: -line(item).cartons.p90)[:most]
    return tuple(item for item in items if item in by_size)


def _named(names: Sequence[str]) -> list[str]:
    more = len(names) - _NAMED
    return [*names[:_NAMED], *([f"{more} more"] if more > 0 else [])]


def widest_cartons(lines: Sequence[SheetLine]) -> float:
    """The largest P90: the end of the axis of the bars."""
    return max((line.cartons.p90 for line in lines), default=0.0)


def amount(value: float | None) -> str:
    """A number of cartons as it is written: a decimal where there are few, `–` for none known."""
    if value is None:
        return "–"
    some = 0.05 <= abs(value) < _FEW and not isinstance(value, int)
    return f"{value:,.1f}" if some else f"{value:,.0f}"


def change(value: float | None) -> str:
    """A change with its sign; `0` below half a carton, `–` for none known."""
    if value is None:
        return "–"
    return f"{value:+,.0f}" if abs(value) >= SMALLEST_REASON else "0"

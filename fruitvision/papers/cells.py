"""Cells of a table as the farm's own tables would have them: days, units, shares."""

from __future__ import annotations

import re
from dataclasses import dataclass

from fruitvision.field_data import INCHES_FROM, INCHES_TO
from fruitvision.papers.columns import ColumnSeen, number_in
from fruitvision.papers.days import DayOrder, iso_day
from fruitvision.papers.kinds import PaperKind
from fruitvision.papers.measures import Measure, as_text, measure_of
from fruitvision.papers.words import plain, units_called
from fruitvision.units import MM_PER_INCH

# A number, and behind it a unit in letters or the sign of inches or feet.
_SIGNS = {'"': "in", "″": "in", "”": "in", "'": "ft", "′": "ft"}
_WITH_UNIT = re.compile(r"(.*?[0-9])\s*([A-Za-z]+\.?|[\"″”'′])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Converted:
    """A cell whose number was changed into another unit: as typed, and as it goes into a column."""

    line: int
    label: str
    column: str
    typed: str
    became: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InchCell:
    """A cell among millimetres that looks like inches, and how many millimetres it then is."""

    line: int
    label: str
    typed: str
    mm: float


@dataclass(slots=True)
class CellReader:
    """Reads the cells of a table one after the other, and notes what it changed or must ask."""

    kind: PaperKind
    day_order: DayOrder | None
    inches: bool | None
    converted: list[Converted]
    inch_cells: list[InchCell]

    def read(self, cell: str, seen: ColumnSeen, line: int) -> str:
        """The cell as the column of the farm has it; as it is where it is not understood."""
        if not cell:
            return cell
        if seen.column in self.kind.days:
            return iso_day(cell, self.day_order)
        measure = measure_of(seen.column)
        if measure is not None:
            return self._measured(cell, seen, measure, line)
        if seen.column in self.kind.shares and cell.endswith("%"):
            number = number_in(cell[:-1])
            return cell if number is None else self._note(line, seen, cell, number / 100)
        return cell

    def _measured(self, cell: str, seen: ColumnSeen, measure: Measure, line: int) -> str:
        text, unit = _unit_apart(cell)
        number = number_in(text)
        if number is None or (unit and unit not in measure.factors):
            return cell
        wanted = measure.unit_of(seen.column)
        unit = unit or seen.unit or wanted
        if unit != wanted:
            in_metric = number * measure.factors[unit]
            return self._note(line, seen, cell, in_metric / measure.factors[wanted])
        if unit == "mm" and text == cell and INCHES_FROM <= number <= INCHES_TO:
            in_mm = number * MM_PER_INCH
            self.inch_cells.append(InchCell(line=line, label=seen.label, typed=cell, mm=in_mm))
            if self.inches:
                return self._note(line, seen, cell, in_mm)
        return as_text(number) if "," in text else text

    def _note(self, line: int, seen: ColumnSeen, typed: str, became: float) -> str:
        text = as_text(became)
        self.converted.append(
            Converted(line=line, label=seen.label, column=seen.column, typed=typed, became=text)
        )
        return text


def _unit_apart(cell: str) -> tuple[str, str]:
    """The number and the sign of its unit, empty if it has none: `2.79"` is 2.79 and in."""
    found = _WITH_UNIT.fullmatch(cell.strip())
    if not found:
        return cell, ""
    word = found[2]
    return found[1], _SIGNS.get(word) or units_called().get(plain(word), word)

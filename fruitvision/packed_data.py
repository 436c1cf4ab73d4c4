"""What the packing house writes down: bin tickets, and what the line made of each lot.

CSV or XLSX, dates as year-month-day::

    tickets.csv  ticket, block, picked_on, bins, [pass, lot]
    packed.csv   lot, packed_on, [block, bins, pass, variety, size_table, bin_kg or bin_lb,
                 fruit_per_bin, cull_share, size_class, grade, cartons, cull_cause, culled_kg or
                 culled_lb]
    lots.csv     lot, block, bins, [pass]

`packed.csv` has one line for each class and grade of a lot (size_class, cartons), and one for each
cause of culls (culled_kg). What holds for the whole lot may stand on one of its lines or on all. A
lot of which a line is refused stays out as a whole: half of its cartons would look like a poor
crop. Whose bins a lot is made of is told by its tickets, by `lots.csv`, or by block and bins in
`packed.csv` where it is one block's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from typing import Any, TypeVar

from fruitvision.csv_file import CsvRow, Source, read_csv
from fruitvision.domain import BinTicket, CulledFruit, LotPart, PackedCartons, PackedLot
from fruitvision.errors import FieldDataError
from fruitvision.field_table import FieldTable, read_rows, refuse_repeats, without
from fruitvision.units import kg_from_pounds, parse_count, parse_date, parse_number, pounds_from_kg

# What a written name means on this farm: kind (block, variety, class, grade) and name to name.
Meant = Callable[[str, str], str]
Value = TypeVar("Value")

# More than this in one cell is a slip of the keyboard. Our choices: a ticket is a truck or two; a
# lot is some days of a line; a bin holds 250 to 450 kg.
MOST_BINS_A_TICKET = 1_000.0
MOST_CARTONS_A_LINE = 1_000_000.0
BIN_KG_BETWEEN = (50.0, 1_000.0)
FRUIT_PER_BIN_BETWEEN = (200.0, 20_000.0)

_TICKET_COLUMNS = ("ticket", "block", "picked_on", "bins")
_PACKED_COLUMNS = ("lot", "packed_on")
_PACKED_OPTIONAL = (
    *("block", "bins", "pass", "variety", "size_table", "bin_kg", "bin_lb", "fruit_per_bin"),
    *("cull_share", "size_class", "grade", "cartons", "cull_cause", "culled_kg", "culled_lb"),
)


def as_written(_kind: str, written: str) -> str:
    """Names mean what is written."""
    return written


# ---------------------------------------------------------------- bin tickets


def read_tickets(source: Source, *, meant: Meant = as_written) -> FieldTable[BinTicket]:
    """Bin tickets.

    Parameters
    ----------
    source : Path or CsvFile
        The table.
    meant : callable
        What a written name means on this farm.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        source, partial(_ticket, meant), required=_TICKET_COLUMNS, optional=("pass", "lot")
    )
    return refuse_repeats(
        table,
        key=lambda one: one.ticket,
        name=lambda one: f"Ticket {one.ticket}",
        fix="Keep the line that is right.",
    )


def _ticket(meant: Meant, row: CsvRow) -> BinTicket:
    return BinTicket(
        ticket=row.required_text("ticket"),
        block_id=meant("block", row.required_text("block")),
        picked_on=parse_date(row.required_text("picked_on"), field="picked_on"),
        bins=_number(row, "bins", 0.0, MOST_BINS_A_TICKET, above=True),
        pass_number=_pass_number(row),
        lot=row.text("lot"),
    )


# ---------------------------------------------------------------- whose bins a lot is made of


@dataclass(frozen=True, slots=True, kw_only=True)
class PartOfLot:
    """One line of `lots.csv`."""

    lot: str
    part: LotPart


def read_lot_parts(source: Source, *, meant: Meant = as_written) -> FieldTable[PartOfLot]:
    """Bins of each block in each lot.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        source, partial(_part, meant), required=("lot", "block", "bins"), optional=("pass",)
    )
    table = refuse_repeats(
        table,
        key=lambda one: (one.lot, one.part.block_id, one.part.pass_number),
        name=lambda one: f"{one.part.block_id} in lot {one.lot}",
        fix="Add the bins up in one line.",
    )
    return _without_broken_lots(source, table, [one.lot for one in table.rows])


def _part(meant: Meant, row: CsvRow) -> PartOfLot:
    part = LotPart(
        block_id=meant("block", row.required_text("block")),
        bins=_number(row, "bins", 0.0, MOST_BINS_A_TICKET, above=True),
        pass_number=_pass_number(row),
    )
    return PartOfLot(lot=row.required_text("lot"), part=part)


def with_parts(lots: Iterable[PackedLot], parts: Iterable[PartOfLot]) -> tuple[PackedLot, ...]:
    """Lots with the bins that `lots.csv` gives them; the others as they are."""
    of_lot: dict[str, list[LotPart]] = {}
    for one in parts:
        of_lot.setdefault(one.lot, []).append(one.part)
    return tuple(
        replace(lot, parts=tuple(of_lot[lot.lot])) if lot.lot in of_lot else lot for lot in lots
    )


# ---------------------------------------------------------------- packed lots


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedLine:
    """One line of `packed.csv`: what it says of its lot, and cartons or culls."""

    lot: str
    packed_on: date | None = None
    variety: str | None = None
    size_table: str | None = None
    cull_share: float | None = None
    bin_kg: float | None = None
    fruit_per_bin: float | None = None
    part: LotPart | None = None
    cartons: PackedCartons | None = None
    culled: CulledFruit | None = None


# Of a lot as a whole: said on one of its lines, or alike on several.
_OF_LOT = ("packed_on", "variety", "size_table", "cull_share", "bin_kg", "fruit_per_bin", "part")


def read_packed(source: Source, *, meant: Meant = as_written) -> FieldTable[PackedLot]:
    """Lots of `packed.csv`; the line of each is its first.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        source, partial(_line, meant), required=_PACKED_COLUMNS, optional=_PACKED_OPTIONAL
    )
    table = refuse_repeats(
        table, key=_cell, name=_cell_words, fix="Add them up in one line, or take one away."
    )
    table = without(table, _contradictions(table))
    table = _without_broken_lots(source, table, [line.lot for line in table.rows])
    of_lot: dict[str, list[tuple[int, PackedLine]]] = {}
    for number, line in zip(table.lines, table.rows, strict=True):
        of_lot.setdefault(line.lot, []).append((number, line))
    return FieldTable(
        file=table.file,
        rows=tuple(_put_together([line for _, line in found]) for found in of_lot.values()),
        lines=tuple(found[0][0] for found in of_lot.values()),
        refused=table.refused,
    )


def _line(meant: Meant, row: CsvRow) -> PackedLine:
    day = row.text("packed_on")
    variety = row.text("variety")
    line = PackedLine(
        lot=row.required_text("lot"),
        packed_on=parse_date(day, field="packed_on") if day else None,
        variety=meant("variety", variety) if variety else None,
        size_table=row.text("size_table") or None,
        cull_share=_maybe(row, "cull_share", 0.0, 1.0),
        bin_kg=_weight(row, "bin", *BIN_KG_BETWEEN),
        fruit_per_bin=_maybe(row, "fruit_per_bin", *FRUIT_PER_BIN_BETWEEN),
        part=_own_part(meant, row),
        cartons=_cartons(meant, row),
        culled=_culled(row),
    )
    if row.text("bins") and not row.text("block"):
        raise FieldDataError("bins stand without a block.", fix="Name the block, or use lots.csv.")
    if line.cartons is not None and line.culled is not None:
        raise FieldDataError(
            "The line has cartons and culls.", fix="Give the culls a line of their own."
        )
    return line


def _own_part(meant: Meant, row: CsvRow) -> LotPart | None:
    block = row.text("block")
    if not block:
        return None
    return LotPart(
        block_id=meant("block", block),
        bins=_number(row, "bins", 0.0, MOST_BINS_A_TICKET, above=True),
        pass_number=_pass_number(row),
    )


def _cartons(meant: Meant, row: CsvRow) -> PackedCartons | None:
    size_class, grade = row.text("size_class"), row.text("grade")
    if not size_class and not row.text("cartons"):
        return None
    return PackedCartons(
        size_class=meant("class", row.required_text("size_class")),
        cartons=_number(row, "cartons", 0.0, MOST_CARTONS_A_LINE),
        grade=meant("grade", grade) if grade else "",
    )


def _culled(row: CsvRow) -> CulledFruit | None:
    kg = _weight(row, "culled", 0.0, MOST_BINS_A_TICKET * BIN_KG_BETWEEN[1])
    if kg is None:
        if row.text("cull_cause"):
            raise FieldDataError(
                f"cull_cause is {row.text('cull_cause')}, and no weight stands beside it.",
                fix="Give culled_kg or culled_lb.",
            )
        return None
    return CulledFruit(cause=row.text("cull_cause"), kg=kg)


def _cell(line: PackedLine) -> tuple[str, ...] | None:
    """What may stand in one line only."""
    if line.cartons is not None:
        return line.lot, "cartons", line.cartons.size_class, line.cartons.grade.casefold()
    if line.culled is not None:
        return line.lot, "culls", line.culled.cause.casefold()
    return None


def _cell_words(line: PackedLine) -> str:
    if line.cartons is not None and line.cartons.grade:
        return f"Class {line.cartons.size_class}, grade {line.cartons.grade} of lot {line.lot}"
    if line.cartons is not None:
        return f"Class {line.cartons.size_class} of lot {line.lot}"
    return f"Culls of lot {line.lot}"


def _contradictions(table: FieldTable[PackedLine]) -> dict[int, tuple[str, str]]:
    """Lines of lots of which two lines say different things, or none says the day."""
    bad: dict[int, tuple[str, str]] = {}
    for lot in dict.fromkeys(line.lot for line in table.rows):
        found = [
            (number, line)
            for number, line in zip(table.lines, table.rows, strict=True)
            if line.lot == lot
        ]
        for field in _OF_LOT:
            values = _said([getattr(line, field) for _, line in found])
            if len(values) > 1:
                bad[found[0][0]] = (
                    f"Lines of lot {lot} have more than one {_NAMES.get(field, field)}.",
                    "What holds for the lot is the same on all its lines; bins of several blocks "
                    "go into lots.csv.",
                )
            elif field == "packed_on" and not values:
                bad[found[0][0]] = (f"Lot {lot} has no packed_on.", "Write the day of its packing.")
    return bad


_NAMES = {"part": "block or number of bins"}


def _said(values: Sequence[Value | None]) -> list[Value]:
    """The different values that are there."""
    return list(dict.fromkeys(value for value in values if value is not None))


def _put_together(lines: Sequence[PackedLine]) -> PackedLot:
    said: dict[str, Any] = {
        field: next(iter(_said([getattr(line, field) for line in lines])), None)
        for field in _OF_LOT
    }
    part: LotPart | None = said["part"]
    return PackedLot(
        lot=lines[0].lot,
        packed_on=said["packed_on"],
        variety=said["variety"] or "",
        size_table=said["size_table"] or "",
        parts=() if part is None else (part,),
        cartons=tuple(line.cartons for line in lines if line.cartons is not None),
        culled=tuple(line.culled for line in lines if line.culled is not None),
        cull_share=said["cull_share"],
        bin_kg=said["bin_kg"],
        fruit_per_bin=said["fruit_per_bin"],
    )


# ---------------------------------------------------------------- what both share

Row = TypeVar("Row")


def _without_broken_lots(
    source: Source, table: FieldTable[Row], lots: Sequence[str]
) -> FieldTable[Row]:
    """The table without lots of which a line was refused."""
    if not table.refused:
        return table
    lot_of_line = {row.line: row.text("lot") for row in read_csv(source, required=("lot",)).rows}
    broken = {lot_of_line.get(row.line, "") for row in table.refused} - {""}
    bad = {
        line: (f"Another line of lot {lot} was refused.", "Put that line right: lots are whole.")
        for line, lot in zip(table.lines, lots, strict=True)
        if lot in broken
    }
    return without(table, bad)


def _pass_number(row: CsvRow) -> int:
    return parse_count(row.text("pass"), field="pass") if row.text("pass") else 0


def _weight(row: CsvRow, what: str, low: float, high: float) -> float | None:
    """`bin_kg` or `bin_lb`, in kg."""
    kg, pounds = f"{what}_kg", f"{what}_lb"
    if row.text(kg) and row.text(pounds):
        raise FieldDataError(f"{kg} and {pounds} are both filled.", fix="Keep one of them.")
    if row.text(pounds):
        return kg_from_pounds(_number(row, pounds, pounds_from_kg(low), pounds_from_kg(high)))
    return _maybe(row, kg, low, high)


def _maybe(row: CsvRow, field: str, low: float, high: float) -> float | None:
    return _number(row, field, low, high) if row.text(field) else None


def _number(row: CsvRow, field: str, low: float, high: float, *, above: bool = False) -> float:
    text = row.required_text(field)
    value = parse_number(text, field=field)
    if above and not low < value <= high:
        raise FieldDataError(
            f"{field} is {text}.", fix=f"Give a number above {low:g}, up to {high:,.4g}."
        )
    if not low <= value <= high:
        raise FieldDataError(
            f"{field} is {text}.", fix=f"Give a number from {low:,.4g} to {high:,.4g}."
        )
    return value

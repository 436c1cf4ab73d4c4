"""What people wrote in the field and the office: blocks, hand counts, calipers.

One table each, CSV or XLSX, dates as year-month-day::

    blocks.csv       block, variety, positions, [missing, pollinizers, pick_date,
                     row_spacing_m, tree_spacing_m, area_ha (or row_spacing_ft, tree_spacing_ft,
                     area_acres), group, target_fruit_per_tree,
                     target_diameter_mm or target_diameter_in, trunk_area_cm2 (or trunk_girth_mm,
                     trunk_girth_in, trunk_diameter_mm, trunk_diameter_in), full_bloom_on]
    hand_counts.csv  block, row, position, fruit_count, counted_on, [protocol]
    calipers.csv     block, row, position, measured_on, diameter_mm or diameter_in, [fruit]

A row that makes no sense is refused with its line number and the rest goes on. Two rows that
contradict each other are both refused: neither can be trusted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol, TypeVar

from fruitvision.crop_load import check_trunk, trunk_area_cm2, trunk_area_from_girth_cm2
from fruitvision.csv_file import CsvFile, CsvRow, Source, read_csv
from fruitvision.domain import Block, CaliperReading, HandCount, TreeId
from fruitvision.domain import Protocol as PhotoProtocol
from fruitvision.errors import FieldDataError, did_you_mean
from fruitvision.field_table import FieldTable, read_rows, refuse_repeats, without
from fruitvision.unit_system import US
from fruitvision.units import mm_from_inches, parse_count, parse_date, parse_number

# Our choice: from fruitlets that a caliper still grips to well beyond the largest apple.
SMALLEST_DIAMETER_MM = 10.0
LARGEST_DIAMETER_MM = 150.0
# Our choice: apples from 20 to 114 mm; in a column of millimetres these are inches.
INCHES_FROM = 0.8
INCHES_TO = 4.5

# Fields of a block, and the column that holds them in other units.
_SPACING = {
    "row_spacing_m": ("row_spacing_ft", US.distance),
    "tree_spacing_m": ("tree_spacing_ft", US.distance),
    "area_ha": ("area_acres", US.area),
}
_OTHERS = tuple(name for name, _ in _SPACING.values())
_TARGETS = ("target_fruit_per_tree", "target_diameter_mm", "target_diameter_in")
# Columns in which the mean trunk of a block may be typed, and its section in cm² of each.
_TRUNKS: dict[str, Callable[[float], float]] = {
    "trunk_area_cm2": lambda area_cm2: area_cm2,
    "trunk_girth_mm": trunk_area_from_girth_cm2,
    "trunk_girth_in": lambda girth_in: trunk_area_from_girth_cm2(mm_from_inches(girth_in)),
    "trunk_diameter_mm": trunk_area_cm2,
    "trunk_diameter_in": lambda diameter_in: trunk_area_cm2(mm_from_inches(diameter_in)),
}
# Columns of blocks: those that a table needs, and the others.
_NEEDED = ("block", "variety", "positions")
_KNOWN = (
    "missing",
    "pollinizers",
    "pick_date",
    *_SPACING,
    *_OTHERS,
    "group",
    *_TARGETS,
    *_TRUNKS,
    "full_bloom_on",
)


class _OnATree(Protocol):
    @property
    def tree(self) -> TreeId: ...


TreeRow = TypeVar("TreeRow", bound=_OnATree)


def blocks_csv(path: Source) -> CsvFile:
    """The table of blocks as it was typed.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    return read_csv(path, required=_NEEDED, optional=_KNOWN)


def read_blocks(path: Source) -> FieldTable[Block]:
    """Blocks of the register.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(path, _block, required=_NEEDED, optional=_KNOWN)
    return refuse_repeats(
        table,
        key=lambda block: " ".join(block.block_id.casefold().split()),
        name=lambda block: f"Block '{block.block_id}'",
        fix="Give each block a name of its own, or keep one line.",
    )


def read_hand_counts(path: Source) -> FieldTable[HandCount]:
    """Trees whose fruit were counted by hand; 0 fruit is a count.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path,
        _hand_count,
        required=("block", "row", "position", "fruit_count", "counted_on"),
        optional=("protocol",),
    )
    return refuse_repeats(
        table,
        key=lambda count: (count.tree, count.counted_on, count.protocol),
        name=lambda count: f"The count of {count.tree} on {count.counted_on}",
        fix="Keep the right one.",
    )


def read_calipers(path: Source) -> FieldTable[CaliperReading]:
    """Diameters measured by hand, mm. Inches are converted only in the column diameter_in.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path,
        _caliper_reading,
        required=("block", "row", "position", "measured_on"),
        optional=("fruit", "diameter_mm", "diameter_in"),
        one_of=("diameter_mm", "diameter_in"),
    )
    return refuse_repeats(
        table,
        key=lambda reading: (
            (reading.tree, reading.measured_on, reading.fruit) if reading.fruit else None
        ),
        name=lambda reading: f"Fruit {reading.fruit} of {reading.tree} on {reading.measured_on}",
        fix="Give each fruit its own number, or keep one line.",
    )


def check_blocks(table: FieldTable[TreeRow], blocks: Iterable[Block]) -> FieldTable[TreeRow]:
    """The table without the rows whose block is not in the register; those are refused."""
    names = {block.block_id for block in blocks}
    bad = {
        line: (
            f"Block '{row.tree.block_id}' is not in the list of blocks.",
            did_you_mean(row.tree.block_id, names) if names else "Add it to the list of blocks.",
        )
        for line, row in zip(table.lines, table.rows, strict=True)
        if row.tree.block_id not in names
    }
    return without(table, bad)


# ---------------------------------------------------------------- one row of each file


def _block(row: CsvRow) -> Block:
    pick_date, bloom = row.text("pick_date"), row.text("full_bloom_on")
    block = Block(
        block_id=row.required_text("block"),
        variety=row.required_text("variety"),
        positions=parse_count(row.text("positions"), field="positions"),
        missing=parse_count(row.text("missing") or "0", field="missing", lowest=0),
        pollinizers=parse_count(row.text("pollinizers") or "0", field="pollinizers", lowest=0),
        pick_date=parse_date(pick_date, field="pick_date") if pick_date else None,
        group=row.text("group"),
        target_fruit_per_tree=above_zero(row, "target_fruit_per_tree"),
        target_diameter_mm=_target_mm(row),
        trunk_area_cm2=_trunk_area_cm2(row),
        full_bloom_on=parse_date(bloom, field="full_bloom_on") if bloom else None,
        row_spacing_m=_spacing(row, "row_spacing_m"),
        tree_spacing_m=_spacing(row, "tree_spacing_m"),
        area_ha=_spacing(row, "area_ha"),
    )
    if block.bearing_trees < 1:
        raise FieldDataError(
            f"{block.positions} positions less {block.missing} missing and {block.pollinizers} "
            f"pollinizers leave no bearing tree.",
            fix="Correct positions, missing or pollinizers.",
        )
    return block


def _spacing(row: CsvRow, field: str) -> float | None:
    """A length or an area of a block typed in one of two columns; None if both are empty."""
    other, unit = _SPACING[field]
    metric, typed = above_zero(row, field), above_zero(row, other)
    if metric is not None and typed is not None:
        raise FieldDataError(
            f"Both {field} ({row.text(field)}) and {other} ({row.text(other)}) are filled.",
            fix="Keep one.",
        )
    return metric if typed is None else unit.kept(typed)


def _target_mm(row: CsvRow) -> float | None:
    """The diameter wanted at the pick, typed in mm or in inches; None if both are empty."""
    in_mm, in_inches = row.text("target_diameter_mm"), row.text("target_diameter_in")
    if not in_mm and not in_inches:
        return None
    return read_diameter_mm(in_mm, in_inches, field="target_diameter")


def _trunk_area_cm2(row: CsvRow) -> float | None:
    """The mean section of a block's trunks, from the one column that is filled; None if none is."""
    typed = [name for name in _TRUNKS if row.text(name)]
    if not typed:
        return None
    if len(typed) > 1:
        raise FieldDataError(f"Both {typed[0]} and {typed[1]} are filled.", fix="Keep one.")
    name = typed[0]
    area_cm2 = _TRUNKS[name](above_zero(row, name) or 0.0)
    check_trunk(area_cm2, typed=f"{name} is {row.text(name)}")
    return area_cm2


def above_zero(row: CsvRow, field: str) -> float | None:
    """The number in a cell; None if it is empty.

    Raises
    ------
    FieldDataError
        If it is no number above 0.
    """
    text = row.text(field)
    if not text:
        return None
    found = parse_number(text, field=field)
    if found <= 0:
        raise FieldDataError(f"{field} is {text}.", fix="Give a number above 0, or nothing.")
    return found


def read_tree(row: CsvRow) -> TreeId:
    """The tree that a row names by block, row and position."""
    return TreeId(
        row.required_text("block"),
        parse_count(row.text("row"), field="row"),
        parse_count(row.text("position"), field="position"),
    )


def _hand_count(row: CsvRow) -> HandCount:
    return HandCount(
        tree=read_tree(row),
        fruit_count=parse_count(row.text("fruit_count"), field="fruit_count", lowest=0),
        counted_on=parse_date(row.text("counted_on"), field="counted_on"),
        protocol=_protocol(row.text("protocol")),
    )


def _protocol(text: str) -> PhotoProtocol:
    if not text:
        return PhotoProtocol.TWO_FACES
    try:
        return _PROTOCOLS[_plain(text)]
    except KeyError as err:
        raise FieldDataError(
            f"protocol is '{text}'.",
            fix="Write 'one face', 'two faces', 'panel' or 'panel, one face'.",
        ) from err


def _plain(text: str) -> str:
    return " ".join(text.casefold().replace("_", " ").replace(",", " ").split())


_PROTOCOLS = {_plain(protocol.value): protocol for protocol in PhotoProtocol}


def _caliper_reading(row: CsvRow) -> CaliperReading:
    return CaliperReading(
        tree=read_tree(row),
        measured_on=parse_date(row.text("measured_on"), field="measured_on"),
        diameter_mm=read_diameter_mm(row.text("diameter_mm"), row.text("diameter_in")),
        fruit=row.text("fruit"),
    )


def read_diameter_mm(in_mm: str, in_inches: str, *, field: str = "diameter") -> float:
    """A diameter typed in one of two columns, in mm. `field` : what the columns are called.

    Raises
    ------
    FieldDataError
        If both are filled, it looks like inches among millimetres, or no fruit is of that size.
    """
    if in_mm and in_inches:
        raise FieldDataError(
            f"Both {field}_mm ({in_mm}) and {field}_in ({in_inches}) are filled.",
            fix="Keep one; write a decimal comma in quotes.",
        )
    if in_inches:
        diameter_mm = mm_from_inches(parse_number(in_inches, field=f"{field}_in"))
        shown = f"{field}_in is {in_inches}, that is {diameter_mm:.1f} mm"
    else:
        diameter_mm = parse_number(in_mm, field=f"{field}_mm")
        shown = f"{field}_mm is {in_mm}"
        _refuse_inches(diameter_mm, in_mm, field)
    if not SMALLEST_DIAMETER_MM <= diameter_mm <= LARGEST_DIAMETER_MM:
        raise FieldDataError(
            f"{shown}.",
            fix=f"Fruit are {SMALLEST_DIAMETER_MM:.0f} to {LARGEST_DIAMETER_MM:.0f} mm: correct it "
            "or delete the line.",
        )
    return diameter_mm


def _refuse_inches(diameter: float, typed: str, field: str) -> None:
    if INCHES_FROM <= diameter <= INCHES_TO:
        in_mm = f"{mm_from_inches(diameter):.1f}"
        raise FieldDataError(
            f"{typed} looks like inches ({in_mm} mm).",
            fix=f"Move it to a column {field}_in, or type {in_mm}.",
        )

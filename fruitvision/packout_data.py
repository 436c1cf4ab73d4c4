"""What the packing line kept of each size class: tables of culls and of grades.

One table each, CSV or XLSX, as last year's pack-out gives it::

    culls.csv   size_class, cull_share, [cull_share_error, variety]
    grades.csv  size_class, grade, share, [variety]

`cull_share` is the part of a class's picked fruit that is not packed, `share` the part of its
packed fruit that is of the grade; the grades of a class add up to 1. `size_class` is named as in
the size table. Lines without a variety hold for every variety that has no lines of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Protocol, TypeVar

from fruitvision.csv_file import CsvRow, Source
from fruitvision.domain import VarietyCull, VarietyGrade
from fruitvision.errors import FieldDataError, did_you_mean
from fruitvision.field_table import FieldTable, read_rows, refuse_repeats, without
from fruitvision.units import parse_number

# Grades of a class may miss a sum of 1 by so much, since shares are typed with two decimals.
SHARE_ROUNDING = 0.02


def read_culls(path: Source) -> FieldTable[VarietyCull]:
    """Culls by variety and size class.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path,
        _cull,
        required=("size_class", "cull_share"),
        optional=("cull_share_error", "variety"),
    )
    return refuse_repeats(
        table,
        key=lambda cull: (cull.variety.casefold(), cull.size_class),
        name=lambda cull: f"Class {_named(cull.size_class, cull.variety)}",
        fix="Keep one line.",
    )


def read_grades(path: Source) -> FieldTable[VarietyGrade]:
    """Grades by variety and size class; a class whose grades do not add up is refused as a whole.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    table = read_rows(
        path, _grade, required=("size_class", "grade", "share"), optional=("variety",)
    )
    table = refuse_repeats(
        table,
        key=lambda row: (row.variety.casefold(), row.size_class, row.grade.casefold()),
        name=lambda row: f"Grade {row.grade} of class {_named(row.size_class, row.variety)}",
        fix="Keep one line.",
    )
    return without(table, _sums_that_miss(table))


class _OfAVariety(Protocol):
    @property
    def variety(self) -> str: ...


VarietyRow = TypeVar("VarietyRow", bound=_OfAVariety)


def check_varieties(
    table: FieldTable[VarietyRow], varieties: Collection[str]
) -> FieldTable[VarietyRow]:
    """The table without the rows whose variety no block has; those are refused."""
    bad = {
        line: (
            f"No block is of variety '{row.variety}'.",
            did_you_mean(row.variety, sorted(varieties)) if varieties else "Load the blocks first.",
        )
        for line, row in zip(table.lines, table.rows, strict=True)
        if row.variety and row.variety not in varieties
    }
    return without(table, bad)


def _sums_that_miss(table: FieldTable[VarietyGrade]) -> Mapping[int, tuple[str, str]]:
    """Lines of classes whose shares do not add up to 1, with what is wrong and what to do."""
    totals: dict[tuple[str, str], float] = {}
    for row in table.rows:
        key = row.variety.casefold(), row.size_class
        totals[key] = totals.get(key, 0.0) + row.share
    return {
        line: (
            f"The grades of class {_named(row.size_class, row.variety)} add up to {total:.2f}.",
            "They are shares of the packed fruit of the class: make them add up to 1.",
        )
        for line, row in zip(table.lines, table.rows, strict=True)
        if abs((total := totals[row.variety.casefold(), row.size_class]) - 1) > SHARE_ROUNDING
    }


def _named(size_class: str, variety: str) -> str:
    return f"{size_class} of {variety}" if variety else size_class


def _cull(row: CsvRow) -> VarietyCull:
    return VarietyCull(
        variety=row.text("variety"),
        size_class=row.required_text("size_class"),
        cull_share=_share(row, "cull_share"),
        cull_share_error=_share(row, "cull_share_error") if row.text("cull_share_error") else None,
    )


def _grade(row: CsvRow) -> VarietyGrade:
    return VarietyGrade(
        variety=row.text("variety"),
        size_class=row.required_text("size_class"),
        grade=row.required_text("grade"),
        share=_share(row, "share"),
    )


def _share(row: CsvRow, field: str) -> float:
    text = row.required_text(field)
    share = parse_number(text, field=field)
    if not 0 <= share <= 1:
        raise FieldDataError(f"{field} is {text}.", fix="It is a share: write 0 to 1.")
    return share

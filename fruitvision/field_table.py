"""Rows of a field table: those that were understood, and those that were refused and why."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from fruitvision.csv_file import CsvRow, Source, read_csv
from fruitvision.errors import FieldDataError


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedRow:
    """A row that was left out: where it stands, what is wrong, what to do."""

    file: str
    line: int
    what: str
    fix: str

    def __str__(self) -> str:
        return f"{self.file}, line {self.line}: {self.what} {self.fix}"


Row = TypeVar("Row")


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldTable(Generic[Row]):
    """The rows that were understood, the line of each, and the rows that were refused."""

    file: str
    rows: tuple[Row, ...]
    lines: tuple[int, ...]
    refused: tuple[RefusedRow, ...] = ()


def read_rows(
    path: Source,
    understand: Callable[[CsvRow], Row],
    *,
    required: Sequence[str],
    optional: Sequence[str] = (),
    one_of: Sequence[str] = (),
) -> FieldTable[Row]:
    """Every row of a CSV file, understood or refused.

    Parameters
    ----------
    path : Path or CsvFile
        The file, or a table that was read already.
    understand : callable
        Makes a record of a row, or raises FieldDataError.
    required, optional : sequence of str
        Column names.
    one_of : sequence of str
        Columns of which the file needs at least one.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    csv_file = read_csv(path, required=required, optional=optional)
    if one_of and not set(one_of) & set(csv_file.columns):
        raise FieldDataError(
            f"{csv_file.name} has none of the columns {' and '.join(one_of)}.",
            fix=f"Add {one_of[0]} to the header.",
        )
    rows: list[Row] = []
    lines: list[int] = []
    refused: list[RefusedRow] = []
    for csv_row in csv_file.rows:
        try:
            csv_row.refuse_cells_beyond_header()
            rows.append(understand(csv_row))
            lines.append(csv_row.line)
        except FieldDataError as err:
            refused.append(
                RefusedRow(file=csv_file.name, line=csv_row.line, what=err.what, fix=err.fix)
            )
    return FieldTable(
        file=csv_file.name, rows=tuple(rows), lines=tuple(lines), refused=tuple(refused)
    )


def refuse_repeats(
    table: FieldTable[Row],
    *,
    key: Callable[[Row], Hashable],
    name: Callable[[Row], str],
    fix: str,
) -> FieldTable[Row]:
    """The table without rows that share a key (None = no key).

    Where all rows of a key say the same, the first stays; where they differ, none does.
    """
    groups: dict[Hashable, list[tuple[int, Row]]] = {}
    for line, row in zip(table.lines, table.rows, strict=True):
        if key(row) is not None:
            groups.setdefault(key(row), []).append((line, row))
    bad: dict[int, tuple[str, str]] = {}
    for group in groups.values():
        same = all(row == group[0][1] for _, row in group)
        on_lines = " and ".join(str(line) for line, _ in group)
        for line, row in group[1:] if same else group if len(group) > 1 else ():
            bad[line] = (f"{name(row)} stands on lines {on_lines}.", fix)
    return without(table, bad)


def without(table: FieldTable[Row], bad: Mapping[int, tuple[str, str]]) -> FieldTable[Row]:
    """The table without the lines in `bad`, which go to the refused rows with what and fix."""
    kept = [
        (line, row) for line, row in zip(table.lines, table.rows, strict=True) if line not in bad
    ]
    refused = [
        RefusedRow(file=table.file, line=line, what=what, fix=fix)
        for line, (what, fix) in bad.items()
    ]
    return FieldTable(
        file=table.file,
        rows=tuple(row for _, row in kept),
        lines=tuple(line for line, _ in kept),
        refused=tuple(sorted((*table.refused, *refused), key=lambda row: row.line)),
    )

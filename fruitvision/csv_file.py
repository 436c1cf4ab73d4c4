"""A table as a spreadsheet, a phone or a text editor leaves it: encoding, delimiter, header.

CSV in UTF-8 with or without byte order mark, UTF-16 or Windows-1252; comma, semicolon or tab; or
the first sheet of an XLSX workbook. Header names in any case. Cells stay text: "=1+1" in a CSV
file is four characters.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from fruitvision.errors import FieldDataError
from fruitvision.text_file import SAVE_AS_CSV, decode, read_bytes
from fruitvision.xlsx_file import ZIP, xlsx_records

DELIMITERS = (",", ";", "\t")


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvRow:
    """One row: the line it starts on, its cells by column name, and the cells beyond the header."""

    line: int
    cells: Mapping[str, str]
    beyond: tuple[str, ...] = ()

    def text(self, column: str) -> str:
        """The cell without spaces around it; empty if the file lacks the column or cell."""
        return self.cells.get(column, "").strip()

    def required_text(self, column: str) -> str:
        """The cell's text.

        Raises
        ------
        FieldDataError
            If it is empty.
        """
        found = self.text(column)
        if not found:
            raise FieldDataError(f"{column} is empty.", fix="Fill it in.")
        return found

    def refuse_cells_beyond_header(self) -> None:
        """Refuse a row that has more cells than the header: a number may be cut in two.

        Raises
        ------
        FieldDataError
            If a cell beyond the header is filled.
        """
        if self.beyond:
            raise FieldDataError(
                f"The row has more cells than the header: '{', '.join(self.beyond)}' is left over.",
                fix='Is a decimal comma not in quotes? Write 71.5 or "71,5".',
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvFile:
    """A table: file name, columns as written in lower case, rows that are not blank."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[CsvRow, ...]


# A file, or a table that was read and understood already.
Source = Path | CsvFile


def read_csv(path: Source, *, required: Sequence[str], optional: Sequence[str] = ()) -> CsvFile:
    """The table in a CSV file or in the first sheet of a workbook.

    Parameters
    ----------
    path : Path or CsvFile
        The file; a table that was read already is only checked for its columns.
    required, optional : sequence of str
        Column names in lower case. Columns of other names are ignored.

    Raises
    ------
    FieldDataError
        If the file can't be read, is no text, has no header, lacks a required column or has a
        column twice.

    Notes
    -----
    Blank rows and rows whose first cell starts with '#' above the header are skipped.
    """
    known = (*required, *optional)
    if isinstance(path, CsvFile):
        _check_columns(path.columns, required, known, path.name)
        return path
    content = read_bytes(path)
    if content.startswith(ZIP):
        records = _below_comments(xlsx_records(content, path.name), path.name)
    else:
        lines = split_lines(decode(content, path.name))
        first = _header_line(lines, path.name)
        delimiter = _sniff_delimiter(lines[first], known)
        records = csv_records(lines[first:], first, delimiter, path.name)
    columns = tuple(cell.strip().casefold().replace(" ", "_") for cell in records[0][1])
    _check_columns(columns, required, known, path.name)
    rows = tuple(_row(line, cells, columns) for line, cells in records[1:] if any(cells))
    return CsvFile(name=path.name, columns=columns, rows=rows)


def split_lines(text: str) -> list[str]:
    """Lines with one kind of ending. `str.splitlines` would also cut at rare Unicode signs."""
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _header_line(lines: Sequence[str], name: str) -> int:
    """Index of the first line that is neither blank, nor a comment, nor "sep=;"."""
    for index, line in enumerate(lines):
        start = line.lstrip(' "').casefold()
        if start.strip(",;\t ") and not start.startswith(("#", "sep=")):
            return index
    raise FieldDataError(f"{name} is empty.", fix="It needs a header line and rows below it.")


def _below_comments(
    records: Sequence[tuple[int, list[str]]], name: str
) -> list[tuple[int, list[str]]]:
    """The rows of a sheet from its header on."""
    for index, (_, cells) in enumerate(records):
        if not cells[0].startswith("#"):
            return list(records[index:])
    raise FieldDataError(f"{name} is empty.", fix="It needs a header line and rows below it.")


def _sniff_delimiter(header: str, known: Sequence[str]) -> str:
    """The delimiter that cuts the header into the most known names."""

    def known_names(delimiter: str) -> tuple[int, int]:
        names = [cell.strip(' "').casefold().replace(" ", "_") for cell in header.split(delimiter)]
        return len(set(names) & set(known)), len(names)

    return max(DELIMITERS, key=known_names)


def csv_records(
    lines: Sequence[str], offset: int, delimiter: str, name: str
) -> list[tuple[int, list[str]]]:
    """Line number (from 1) on which each record starts, and its cells.

    Raises
    ------
    FieldDataError
        If the text is no CSV.
    """
    reader = csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter, skipinitialspace=True)
    records = []
    start = offset + 1
    try:
        for cells in reader:
            records.append((start, [cell.strip() for cell in cells]))
            start = offset + reader.line_num + 1
    except csv.Error as err:
        raise FieldDataError(f"{name}, line {start}: {err}.", fix=SAVE_AS_CSV) from err
    return records


def _check_columns(
    columns: Sequence[str], required: Sequence[str], known: Sequence[str], name: str
) -> None:
    for column in required:
        if column not in columns:
            raise FieldDataError(
                f"{name} has no column '{column}', only: {', '.join(filter(None, columns))}.",
                fix=_how_to_add(column, [name for name in columns if name and name not in known]),
            )
    for column in known:
        if columns.count(column) > 1:
            raise FieldDataError(
                f"{name} has the column '{column}' twice.", fix="Keep one of the two."
            )


def _how_to_add(column: str, others: Sequence[str]) -> str:
    """What to do about a column that is not there; `others` are those of names nobody knows."""
    near = get_close_matches(column, others, n=1)
    if near:
        return f"Is it the column '{near[0]}'? Then name that one '{column}'."
    return "Add it to the header."


def _row(line: int, cells: Sequence[str], columns: Sequence[str]) -> CsvRow:
    return CsvRow(
        line=line,
        cells=dict(zip(columns, cells, strict=False)),
        beyond=tuple(filter(None, cells[len(columns) :])),
    )

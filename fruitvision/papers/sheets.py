"""A file as sheets of plain rows: which separator, which encoding, which line is the header."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fruitvision.csv_file import DELIMITERS, csv_records, split_lines
from fruitvision.errors import FieldDataError
from fruitvision.papers.kinds import KINDS, fitting
from fruitvision.text_file import decode, encoding_of, read_bytes
from fruitvision.xlsx_file import ZIP, workbook_sheets

# Filled lines in which the header is looked for. Our choice: a title, a farm, a day, a legend.
HEADER_WITHIN = 30

Rows = Sequence[tuple[int, list[str]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A sheet of a file: lines that are not blank, by number from 1.

    Attributes
    ----------
    name : str
        Of a sheet in a workbook; empty for a text file.
    encoding, delimiter : str
        Of a text file.
    hidden_rows, merged, formulas, looked_through
        As in `xlsx_file.WorkbookSheet`.
    """

    name: str = ""
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    encoding: str = ""
    delimiter: str = ""
    hidden_rows: tuple[int, ...] = ()
    merged: int = 0
    formulas: int = 0
    looked_through: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """The header of a sheet: its line, what stands over each column, and the rows below it.

    In `labels` a column without a name, or with one that stands there already, has a name of its
    own: `#3`, `Date #5`. `written` : the same as it stands there.
    """

    line: int
    labels: tuple[str, ...]
    written: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]


def read_sheets(path: Path) -> tuple[Sheet, ...]:
    """All sheets of a workbook that hold something, or the one table of a text file.

    Raises
    ------
    FieldDataError
        If the file can't be read, is neither text nor a workbook, or is empty.
    """
    content = read_bytes(path)
    if content.startswith(ZIP):
        sheets = tuple(
            Sheet(
                name=sheet.name,
                rows=_fixed(sheet.rows),
                hidden_rows=sheet.hidden_rows,
                merged=sheet.merged,
                formulas=sheet.formulas,
                looked_through=sheet.looked_through,
            )
            for sheet in workbook_sheets(content, path.name)
        )
    else:
        text = decode(content, path.name)
        rows, delimiter = _cut(split_lines(text), path.name)
        found = Sheet(rows=_fixed(rows), encoding=encoding_of(content), delimiter=delimiter)
        sheets = (found,) if found.rows else ()
    if not sheets:
        raise FieldDataError(
            f"{path.name} is empty.", fix="It needs a header line and rows below it."
        )
    return sheets


def _fixed(rows: Rows) -> tuple[tuple[int, tuple[str, ...]], ...]:
    """Rows that hold something and are no comment."""
    return tuple((line, tuple(cells)) for line, cells in rows if any(cells) and not _comment(cells))


def _comment(cells: Sequence[str]) -> bool:
    first = next(filter(None, cells), "")
    return first.startswith("#") and not any(cells[1:])


def _cut(lines: Sequence[str], name: str) -> tuple[Rows, str]:
    """Records of a text by the separator that gives the best header, and that separator."""
    # Some spreadsheets say so in the first line.
    if lines[0].lstrip('" ').casefold().startswith("sep="):
        lines = ["", *lines[1:]]
    cut: dict[str, Rows] = {}
    problem: FieldDataError | None = None
    for delimiter in DELIMITERS:
        try:
            cut[delimiter] = csv_records(lines, 0, delimiter, name)
        except FieldDataError as err:
            problem = err
    if not cut and problem is not None:
        raise problem
    best = max(cut, key=lambda one: _order(cut[one]))
    return cut[best], best


def _order(rows: Rows) -> tuple[int, int, float]:
    """How much like a table rows are: known names in the header, then like widths."""
    filled = _fixed(rows)
    if not filled:
        return 0, 0, 0.0
    best = max(map(_known_names, (cells for _, cells in filled[:HEADER_WITHIN])))
    widths = [len(cells) for _, cells in filled]
    usual = max(set(widths), key=lambda width: (widths.count(width), width))
    return best, int(usual > 1), widths.count(usual) / len(widths)


def _known_names(cells: Sequence[str]) -> int:
    labels = [cell for cell in cells if cell]
    return max(len(fitting(labels, kind)) for kind in KINDS.values())


def heading_of(sheet: Sheet) -> Heading:
    """The header of a sheet: of its first lines that with the most names of columns.

    Where no line has two, the first line that is filled as far as any of them.
    """
    first = sheet.rows[:HEADER_WITHIN]
    known = [_known_names(cells) for _, cells in first]
    filled = [sum(map(bool, cells)) for _, cells in first]
    best = max(known)
    at = known.index(best) if best > 1 else filled.index(max(filled))
    line, cells = sheet.rows[at]
    labels = _apart(cells)
    return Heading(
        line=line, labels=labels, written=cells[: len(labels)], rows=sheet.rows[at + 1 :]
    )


def _apart(cells: Sequence[str]) -> tuple[str, ...]:
    labels: list[str] = []
    for number, cell in enumerate(cells, start=1):
        text = " ".join(cell.split())
        labels.append(text if text and text not in labels else f"{text} #{number}".strip())
    while labels and not cells[len(labels) - 1]:
        labels.pop()
    return tuple(labels)

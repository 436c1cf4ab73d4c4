"""Sheets of a workbook as rows of text, as the person who saved it saw them.

Formulas are never computed: the value that was last shown counts; where the file has none, the
formula's own text.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from fruitvision.errors import FieldDataError
from fruitvision.text_file import SAVE_AS_CSV

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

# First bytes of a ZIP archive, which a workbook is.
ZIP = b"PK\x03\x04"

# What a workbook may unpack to, and its rows and columns. Our choice: far above any field table,
# far below what fills a laptop's memory.
LARGEST_UNPACKED_BYTES = 200_000_000
MOST_ROWS, MOST_COLUMNS = 400_000, 200
# Largest workbook whose formulas, merged cells and hidden rows are looked for, unpacked. Our
# choice: some 40,000 rows of ten columns, which takes a laptop seconds.
LARGEST_LOOKED_THROUGH_BYTES = 20_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkbookSheet:
    """One sheet: rows that are not blank, by number from 1, and what is not plain in it.

    Attributes
    ----------
    hidden_rows : tuple of int
        Filled rows that the sheet does not show, as a filter leaves them.
    merged : int
        Cells that stand over several; each of these has their text.
    formulas : int
        Cells whose value the workbook computed when it was last saved.
    looked_through : bool
        False where the workbook is too large to look for these three.
    """

    name: str
    rows: tuple[tuple[int, list[str]], ...]
    hidden_rows: tuple[int, ...] = ()
    merged: int = 0
    formulas: int = 0
    looked_through: bool = True


def xlsx_records(content: bytes, name: str) -> list[tuple[int, list[str]]]:
    """Row number (from 1) and cells of the first sheet; formulas give the value last shown.

    Raises
    ------
    FieldDataError
        If the bytes are no XLSX workbook, or it is too large.
    """
    _check_size(content, name)
    try:
        return _streamed(_workbook(content, streamed=True).worksheets[0], name)
    except FieldDataError:
        raise
    except Exception as err:  # openpyxl raises whatever its XML, ZIP and number readers raise
        raise _unreadable(name, err) from err


def workbook_sheets(content: bytes, name: str) -> tuple[WorkbookSheet, ...]:
    """Every sheet that holds something, in their order; also hidden ones.

    Raises
    ------
    FieldDataError
        If the bytes are no XLSX workbook, or it is too large.
    """
    unpacked = _check_size(content, name)
    try:
        if unpacked > LARGEST_LOOKED_THROUGH_BYTES:
            found = [
                WorkbookSheet(
                    name=sheet.title, rows=tuple(_streamed(sheet, name)), looked_through=False
                )
                for sheet in _workbook(content, streamed=True).worksheets
            ]
        else:
            shown, written = _workbook(content), _workbook(content, shown=False)
            found = [
                _looked_through(sheet, other, name)
                for sheet, other in zip(shown.worksheets, written.worksheets, strict=True)
            ]
    except FieldDataError:
        raise
    except Exception as err:  # as above
        raise _unreadable(name, err) from err
    return tuple(sheet for sheet in found if sheet.rows)


def _workbook(content: bytes, *, streamed: bool = False, shown: bool = True) -> Workbook:
    """The workbook with the values that were shown, or with the formulas behind them."""
    from openpyxl import load_workbook

    return load_workbook(io.BytesIO(content), read_only=streamed, data_only=shown, keep_links=False)


def _unreadable(name: str, err: Exception) -> FieldDataError:
    return FieldDataError(
        f"{name} is no workbook that can be read: {type(err).__name__}.", fix=SAVE_AS_CSV
    )


def _streamed(sheet: Worksheet, name: str) -> list[tuple[int, list[str]]]:
    rows = sheet.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS, values_only=True)
    records = [
        (number, [_text(value) for value in cells]) for number, cells in enumerate(rows, start=1)
    ]
    if len(records) > MOST_ROWS:
        raise _too_long(name)
    return [(number, cells) for number, cells in records if any(cells)]


def _too_long(name: str) -> FieldDataError:
    return FieldDataError(
        f"{name} has more than {MOST_ROWS} rows.",
        fix="This is no table of field data: choose another file.",
    )


def _looked_through(shown: Worksheet, written: Worksheet, name: str) -> WorkbookSheet:
    if shown.max_row > MOST_ROWS:
        raise _too_long(name)
    columns = min(shown.max_column, MOST_COLUMNS)
    rows = {
        number: [_text(value) for value in cells]
        for number, cells in enumerate(shown.iter_rows(max_col=columns, values_only=True), start=1)
    }
    formulas = 0
    for row, column, text in _formulas(written, columns):
        formulas += 1
        rows[row][column] = rows[row][column] or text
    for area in shown.merged_cells.ranges:
        _fill_in(rows, area.min_row, area.max_row, area.min_col - 1, min(area.max_col, columns))
    filled = tuple((number, cells) for number, cells in rows.items() if any(cells))
    hidden = {number for number, one in shown.row_dimensions.items() if one.hidden}
    return WorkbookSheet(
        name=shown.title,
        rows=filled,
        hidden_rows=tuple(number for number, _ in filled if number in hidden),
        merged=len(shown.merged_cells.ranges),
        formulas=formulas,
    )


def _formulas(sheet: Worksheet, columns: int) -> Iterator[tuple[int, int, str]]:
    """Row from 1, column from 0 and text of each formula."""
    for number, cells in enumerate(sheet.iter_rows(max_col=columns), start=1):
        for column, cell in enumerate(cells):
            if cell.data_type == "f":
                value = cell.value
                yield number, column, str(getattr(value, "text", value))


def _fill_in(rows: dict[int, list[str]], first: int, last: int, left: int, right: int) -> None:
    """Cells under a merged one have its text, as far as the sheet is filled."""
    text = rows[first][left] if first in rows and left < right else ""
    for number in range(first, min(last, len(rows)) + 1):
        rows[number][left:right] = [text] * (right - left)


def _check_size(content: bytes, name: str) -> int:
    """Refuse what is no workbook or too large; how many bytes it unpacks to."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(item.file_size for item in archive.infolist())
            sheets = any(item.startswith("xl/worksheets/") for item in archive.namelist())
    # The archive reader says NotImplementedError of a compression that it does not know.
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as err:
        raise FieldDataError(f"{name} is a damaged workbook or archive.", fix=SAVE_AS_CSV) from err
    if not sheets:
        raise FieldDataError(f"{name} is an archive, no table.", fix=SAVE_AS_CSV)
    if unpacked > LARGEST_UNPACKED_BYTES:
        raise FieldDataError(
            f"{name} unpacks to more than {LARGEST_UNPACKED_BYTES // 1_000_000} MB.",
            fix="This is no table of field data: choose another file.",
        )
    return unpacked


def _text(value: object) -> str:
    """A cell as text: whole numbers without point, days as year-month-day."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time().isoformat() == "00:00:00" else str(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()

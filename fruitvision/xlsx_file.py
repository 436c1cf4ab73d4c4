"""The first sheet of a workbook as rows of text, as the person who saved it saw them."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime

from fruitvision.errors import FieldDataError

# What a workbook may unpack to, and its rows and columns. Our choice: far above any field table,
# far below what fills a laptop's memory.
LARGEST_UNPACKED_BYTES = 200_000_000
MOST_ROWS, MOST_COLUMNS = 400_000, 200

_SAVE_AS_CSV = "Save the table as CSV (UTF-8) and give that file."


def xlsx_records(content: bytes, name: str) -> list[tuple[int, list[str]]]:
    """Row number (from 1) and cells of the first sheet; formulas give the value last shown.

    Raises
    ------
    FieldDataError
        If the bytes are no XLSX workbook, or it is too large.
    """
    _check_size(content, name)
    from openpyxl import load_workbook

    try:
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
        sheet = book.worksheets[0]
        rows = sheet.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS, values_only=True)
        records = [
            (number, [_text(value) for value in cells])
            for number, cells in enumerate(rows, start=1)
        ]
    except FieldDataError:
        raise
    except Exception as err:  # openpyxl raises whatever its XML, ZIP and number readers raise
        raise FieldDataError(
            f"{name} is no workbook that can be read: {type(err).__name__}.", fix=_SAVE_AS_CSV
        ) from err
    if len(records) > MOST_ROWS:
        raise FieldDataError(
            f"{name} has more than {MOST_ROWS} rows.",
            fix="This is no table of field data: choose another file.",
        )
    return [(number, cells) for number, cells in records if any(cells)]


def _check_size(content: bytes, name: str) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(item.file_size for item in archive.infolist())
            sheets = any(item.startswith("xl/worksheets/") for item in archive.namelist())
    # The archive reader says NotImplementedError of a compression that it does not know.
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as err:
        raise FieldDataError(f"{name} is a damaged workbook or archive.", fix=_SAVE_AS_CSV) from err
    if not sheets:
        raise FieldDataError(f"{name} is an archive, no table.", fix=_SAVE_AS_CSV)
    if unpacked > LARGEST_UNPACKED_BYTES:
        raise FieldDataError(
            f"{name} unpacks to more than {LARGEST_UNPACKED_BYTES // 1_000_000} MB.",
            fix="This is no table of field data: choose another file.",
        )


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

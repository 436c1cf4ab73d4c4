"""Rows as CSV text: UTF-8, comma, decimal point; text that looks like a formula stays text."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

Cell = str | int | float | bool | None


def rounded(value: float | None, decimals: int) -> float | None:
    """A number for reading; whole where there are no decimals."""
    if value is None:
        return None
    return round(value, decimals) if decimals else round(value)


def csv_bytes(columns: Sequence[str], rows: Iterable[Iterable[Cell]]) -> bytes:
    """Header and rows."""
    return row_bytes([columns]) + row_bytes(rows)


def row_bytes(rows: Iterable[Iterable[Cell]]) -> bytes:
    """Rows alone, for a table that is written a piece at a time."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerows([_cell(cell) for cell in row] for row in rows)
    return stream.getvalue().encode()


# Signs with which spreadsheets start a formula, also in full width; and what they skip before it.
_FORMULA_SIGNS = tuple("=+-@\uff1d\uff0b\uff0d\uff20")


def _cell(cell: Cell) -> Cell:
    """A cell as it is written: text that looks like a formula gets an apostrophe before it."""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, str) and cell.lstrip().startswith(_FORMULA_SIGNS):
        return f"'{cell}"
    return cell

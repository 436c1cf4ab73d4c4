"""The table of references that a person pointed at.

CSV or XLSX::

    references.csv  photo, kind, size_mm (or size_in), x0, y0, x1, y1

`kind` is square or ball, `size_mm` the side of the printed square or the diameter of the ball, and
the box is drawn around it in px of the upright picture, a few px loose or tight. Refused rows are
as in `field_data`.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass
from pathlib import Path

from fruitvision.csv_file import CsvRow
from fruitvision.domain import PointedReference, ReferenceKind
from fruitvision.errors import FieldDataError
from fruitvision.field_table import FieldTable, read_rows, without
from fruitvision.units import mm_from_inches, parse_number

REFERENCES = "references"

# Sizes that a ball or a printed square may have, mm. Our choice: a table tennis ball has 40, a
# football 220; the smallest sheet has 50, the largest 600. Under 12 it is inches.
_SIZES_MM = {ReferenceKind.SQUARE: (30.0, 600.0), ReferenceKind.BALL: (20.0, 250.0)}
_MOST_INCHES = 12.0
# Smallest box that can hold a reference, px, and the most that its sides may differ: half of a ball
# may be hidden. Our choice.
_LEAST_BOX_PX, _MOST_ASPECT = 8.0, 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRow:
    """One line: the photo's file name, with forward slashes, and the reference in it."""

    photo: str
    reference: PointedReference


def read_references(path: Path) -> FieldTable[ReferenceRow]:
    """The references that a person pointed at.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    return read_rows(
        path,
        _reference,
        required=("photo", "kind", "x0", "y0", "x1", "y1"),
        optional=("size_mm", "size_in"),
        one_of=("size_mm", "size_in"),
    )


def in_known_photos(
    table: FieldTable[ReferenceRow], names: Container[str]
) -> FieldTable[ReferenceRow]:
    """The table without lines whose photo is not among those of these names."""
    bad = {
        line: (
            f"There is no photo {row.photo} among those given.",
            "Correct its name, or give the photo too.",
        )
        for line, row in zip(table.lines, table.rows, strict=True)
        if row.photo not in names
    }
    return without(table, bad)


def _reference(row: CsvRow) -> ReferenceRow:
    kind = _kind(row.text("kind"))
    photo = row.required_text("photo").replace("\\", "/")
    size_mm, shown = _size_mm(row)
    box = [parse_number(row.text(name), field=name) for name in ("x0", "y0", "x1", "y1")]
    return ReferenceRow(photo=photo, reference=pointed_reference(kind, size_mm, box, shown=shown))


def pointed_reference(
    kind: ReferenceKind, size_mm: float, box_px: Sequence[float], *, shown: str = ""
) -> PointedReference:
    """What a person says of a reference, checked.

    Parameters
    ----------
    box_px : sequence of 4 float
        x and y of two opposite corners of the box, px of the upright picture.
    shown : str
        The size as it was typed, for the refusal.

    Raises
    ------
    FieldDataError
        If the size is none of such a reference, or the box can't hold one.
    """
    least, most = _SIZES_MM[kind]
    if not least <= size_mm <= most:
        what = "side of a printed square" if kind is ReferenceKind.SQUARE else "diameter of a ball"
        raise FieldDataError(
            f"{shown or f'The size is {size_mm:g} mm'}: the {what} is {least:g} to {most:g} mm.",
            fix="Measure it and correct it.",
        )
    return PointedReference(kind=kind, size_mm=size_mm, box_px=_box(*box_px))


def _kind(text: str) -> ReferenceKind:
    try:
        return ReferenceKind(text.strip().casefold())
    except ValueError as err:
        raise FieldDataError(
            f"kind is '{text}'.", fix="Write square (the printed marker) or ball."
        ) from err


def _size_mm(row: CsvRow) -> tuple[float, str]:
    """The size in mm, and how it was written."""
    in_mm, in_inches = row.text("size_mm"), row.text("size_in")
    if in_mm and in_inches:
        raise FieldDataError(
            f"Both size_mm ({in_mm}) and size_in ({in_inches}) are filled.", fix="Keep one."
        )
    if in_inches:
        size = mm_from_inches(parse_number(in_inches, field="size_in"))
        return size, f"size_in is {in_inches}, that is {size:.1f} mm"
    size, shown = parse_number(in_mm, field="size_mm"), f"size_mm is {in_mm}"
    if 0 < size < _MOST_INCHES:
        raise FieldDataError(
            f"{shown}, which looks like inches.", fix="Write millimetres, or use size_in."
        )
    return size, shown


def _box(x0: float, y0: float, x1: float, y1: float) -> tuple[float, float, float, float]:
    left, right = sorted((x0, x1))
    top, bottom = sorted((y0, y1))
    wide, tall = right - left, bottom - top
    if min(left, top) < 0:
        raise FieldDataError(
            f"The box begins at {min(left, top):g} px, outside the photo.",
            fix="Draw it in the photo: 0 is its left or upper edge.",
        )
    if min(wide, tall) < _LEAST_BOX_PX or max(wide, tall) > _MOST_ASPECT * min(wide, tall):
        raise FieldDataError(
            f"The box {x0:g}, {y0:g}, {x1:g}, {y1:g} is {wide:g} px wide and {tall:g} px high.",
            fix="Draw it close around the whole reference: x0, y0 one corner, x1, y1 the other.",
        )
    return left, top, right, bottom

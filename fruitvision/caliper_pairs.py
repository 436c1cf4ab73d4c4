"""Fruit that were measured by hand and can be found in a photo: their table, and which they are.

CSV or XLSX; a fruit is told by a place inside its outline or by its number in the photo::

    caliper_pairs.csv   photo, x_px, y_px or fruit_id, diameter_mm or diameter_in

Also understood: file or picture for photo, x and y, fruit or number, diameter or caliper_mm.
Refused rows are as in `field_data`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from fruitvision.caliper_check import MatchedPair
from fruitvision.csv_file import CsvRow, read_csv
from fruitvision.domain import CaliperedFruit, Doubt, Fruit, MeasuredPhoto
from fruitvision.errors import FieldDataError, did_you_mean
from fruitvision.field_data import read_diameter_mm
from fruitvision.field_table import FieldTable, read_rows, refuse_repeats, without
from fruitvision.units import parse_number

TABLE_NAME = "caliper_pairs"
_PHOTO = ("photo", "photo_name", "file", "picture")
_X = ("x_px", "x")
_Y = ("y_px", "y")
_FRUIT = ("fruit_id", "fruit", "fruit_number", "number")
_MM = ("diameter_mm", "diameter_(mm)", "caliper_mm", "diameter")
_INCHES = ("diameter_in", "diameter_(in)", "diameter_inch", "caliper_in")
# A place this far outside an outline, in its half axes, still means the fruit. Our choice: a finger
# on a phone is off by a tenth of a fruit.
REACH = 1.15


@dataclass(frozen=True, slots=True, kw_only=True)
class CaliperPairRow:
    """One row of the table: a place in the photo, or the number of a fruit."""

    photo: str
    place_px: tuple[float, float] | None
    fruit_id: str
    diameter_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmatched:
    """A calipered fruit without a size in its photo: which, why, what to do."""

    name: str
    what: str
    fix: str


def read_caliper_pairs(path: Path) -> FieldTable[CaliperPairRow]:
    """Rows of the table. Inches are converted only in a column of inches.

    Raises
    ------
    FieldDataError
        If the file can't be read, or tells no photo, no fruit or no diameter.
    """
    known = (*_PHOTO, *_X, *_Y, *_FRUIT, *_MM, *_INCHES)
    columns = set(read_csv(path, required=(), optional=known).columns)
    for names, what in ((_PHOTO, "photo"), ((*_X, *_FRUIT), "x_px"), ((*_MM, *_INCHES), "mm")):
        if not columns & set(names):
            raise FieldDataError(f"{path.name} has no column of the {_WHAT[what]}.", fix=_HEADER)
    table = read_rows(path, _row, required=(), optional=known)
    return refuse_repeats(
        table,
        key=lambda row: (row.photo.casefold(), row.fruit_id, row.place_px),
        name=lambda row: f"{row.fruit_id or 'A place'} of {row.photo}",
        fix="Keep the right one.",
    )


_WHAT = {"photo": "photo", "x_px": "fruit's place or number", "mm": "diameter"}
_HEADER = (
    "The header is: photo, x_px, y_px, diameter_mm; or fruit_id instead of x_px and y_px. "
    "Readings that are of no photo go in by: fruitvision table load."
)


def place_in_photos(
    table: FieldTable[CaliperPairRow], photos: Mapping[str, MeasuredPhoto]
) -> tuple[tuple[CaliperedFruit, ...], FieldTable[CaliperPairRow]]:
    """The fruit of the table as places in photos, and the table of the rows that have one.

    A row is refused if its photo is unknown, the photo has no fruit of that number, or the place
    lies outside the photo.

    Parameters
    ----------
    photos : mapping
        Measured photos by their name.
    """
    by_name = {name.casefold(): photo for name, photo in photos.items()}
    places: dict[int, CaliperedFruit] = {}
    bad: dict[int, tuple[str, str]] = {}
    for line, row in zip(table.lines, table.rows, strict=True):
        measured = by_name.get(_plain_name(row.photo))
        try:
            if measured is None:
                raise FieldDataError(
                    f"The farm has no measured photo '{row.photo}'.",
                    fix=did_you_mean(row.photo, photos) if photos else "Load its walk first.",
                )
            places[line] = _place(row, measured)
        except FieldDataError as err:
            bad[line] = (err.what, err.fix)
    kept = without(table, bad)
    return tuple(places[line] for line in kept.lines), kept


def match_pairs(
    calipered: Sequence[CaliperedFruit], measured: Mapping[str, MeasuredPhoto]
) -> tuple[tuple[MatchedPair, ...], tuple[Unmatched, ...]]:
    """Each calipered fruit with what its photo reads.

    Of two diameters for one fruit none is used. Fruit of photos that are not in `measured` are
    passed over.

    Parameters
    ----------
    measured : mapping
        Photos by their id.
    """
    found: dict[tuple[str, str], list[MatchedPair]] = {}
    unmatched: list[Unmatched] = []
    for one in calipered:
        photo = measured.get(one.photo_id)
        if photo is None:
            continue
        fruit = fruit_at(photo, one.x_px, one.y_px)
        if fruit is None or fruit.diameter_mm is None or fruit.diameter_error_mm is None:
            unmatched.append(_unmatched(one, photo, fruit))
        else:
            pair = MatchedPair(
                photo_id=one.photo_id,
                fruit_id=fruit.fruit_id,
                photo_mm=fruit.diameter_mm,
                photo_error_mm=fruit.diameter_error_mm,
                caliper_mm=one.diameter_mm,
            )
            found.setdefault((one.photo_id, fruit.fruit_id), []).append(pair)
    pairs = []
    for (photo_id, fruit_id), group in found.items():
        values = sorted({pair.caliper_mm for pair in group})
        if len(values) == 1:
            pairs.append(group[0])
        else:
            said = " and ".join(f"{value:.1f} mm" for value in values)
            unmatched.append(
                Unmatched(
                    name=f"{measured[photo_id].photo.name}, fruit {fruit_id}",
                    what=f"It was calipered as {said}.",
                    fix="Keep the right one.",
                )
            )
    return tuple(pairs), tuple(unmatched)


def fruit_at(measured: MeasuredPhoto, x_px: float, y_px: float) -> Fruit | None:
    """The fruit of this row whose outline holds a place, the one it is nearest the middle of."""
    near = [
        (fruit.outline.reach(x_px, y_px), fruit.fruit_id, fruit)
        for fruit in measured.fruit
        if fruit.on_this_row
    ]
    inside = [one for one in near if one[0] <= REACH]
    return min(inside)[2] if inside else None


# ---------------------------------------------------------------- one row


def _row(row: CsvRow) -> CaliperPairRow:
    photo = _cell(row, _PHOTO)
    if not photo:
        raise FieldDataError("photo is empty.", fix="Give the photo's file name.")
    x, y, fruit_id = _cell(row, _X), _cell(row, _Y), _cell(row, _FRUIT)
    if bool(x) != bool(y) or not (x or fruit_id):
        raise FieldDataError(
            "The row does not say which fruit of the photo it is.",
            fix="Fill in x_px and y_px, or fruit_id.",
        )
    in_mm, in_inches = _cell(row, _MM), _cell(row, _INCHES)
    if not (in_mm or in_inches):
        raise FieldDataError("diameter_mm is empty.", fix="Fill it in, or delete the line.")
    return CaliperPairRow(
        photo=photo,
        place_px=(parse_number(x, field="x_px"), parse_number(y, field="y_px")) if x else None,
        fruit_id=fruit_id,
        diameter_mm=read_diameter_mm(in_mm, in_inches),
    )


def _cell(row: CsvRow, names: Sequence[str]) -> str:
    return next((text for name in names if (text := row.text(name))), "")


def _plain_name(photo: str) -> str:
    """A photo's name without the folder that it came from."""
    return photo.replace("\\", "/").rsplit("/", 1)[-1].casefold()


def _place(row: CaliperPairRow, measured: MeasuredPhoto) -> CaliperedFruit:
    photo = measured.photo
    if row.place_px is not None:
        x, y = row.place_px
        if not (-0.5 <= x <= photo.width_px - 0.5 and -0.5 <= y <= photo.height_px - 0.5):
            raise FieldDataError(
                f"({x:.0f}, {y:.0f}) px lies outside {photo.name}.",
                fix=f"The upright photo is {photo.width_px} by {photo.height_px} px.",
            )
    else:
        fruit = _of_number(row.fruit_id, measured)
        x, y = fruit.centre_x_px, fruit.centre_y_px
    return CaliperedFruit(photo_id=photo.photo_id, x_px=x, y_px=y, diameter_mm=row.diameter_mm)


def _of_number(number: str, measured: MeasuredPhoto) -> Fruit:
    """The fruit of a number, typed as f012, F12 or 12."""
    wanted = _digits(number)
    for fruit in measured.fruit:
        if number == fruit.fruit_id or (wanted and _digits(fruit.fruit_id) == wanted):
            return fruit
    names = [fruit.fruit_id for fruit in measured.fruit if fruit.on_this_row]
    there = f"{names[0]} to {names[-1]}" if names else "none"
    raise FieldDataError(
        f"{measured.photo.name} has no fruit {number}.", fix=f"Its numbers are {there}."
    )


def _digits(number: str) -> str:
    found = re.fullmatch(r"[a-zA-Z]*0*(\d+)", number.strip())
    return found.group(1) if found else ""


# ---------------------------------------------------------------- one fruit


def _unmatched(one: CaliperedFruit, photo: MeasuredPhoto, fruit: Fruit | None) -> Unmatched:
    place = f"{photo.photo.name} at ({one.x_px:.0f}, {one.y_px:.0f}) px"
    if fruit is None:
        return Unmatched(
            name=place,
            what="No fruit of this row was found there.",
            fix="Point at the middle of a fruit with an outline.",
        )
    reasons: list[Doubt] = [doubt for doubt in fruit.doubts if doubt != Doubt.NOT_SIZED]
    if not reasons and photo.scale is None:
        reasons = list(photo.doubts)
    return Unmatched(
        name=f"{place}, fruit {fruit.fruit_id}",
        what=(reasons or [Doubt.NOT_SIZED])[-1].words,
        fix="Caliper a fruit that the photo gives in mm.",
    )

"""CSV tables of what was measured, written as those of `tables`.

fruit.csv, photos.csv
    One row per fruit, one per photo. `fruit_count` counts fruit with on_this_row true. `distance`
    is that of a fruit seen from two places; `same_as` is the photo and number of the same fruit.
refused.csv
    What was left out and why.

In units of the United States, `diameter_in` stands for `diameter_mm` and `in_per_px` for
`mm_per_px`: the name of a column always carries its unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Protocol

from fruitvision.domain import Fruit, MeasuredPhoto
from fruitvision.export.csv_text import Cell, csv_bytes, rounded
from fruitvision.export.words import doubt_codes, save
from fruitvision.unit_system import METRIC, Unit, Units

REFUSED_COLUMNS = ("name", "what", "fix")


def fruit_columns(units: Units = METRIC) -> tuple[str, ...]:
    """Names of the columns of fruit.csv."""
    unit = units.diameter.name
    return (
        "photo",
        "fruit_id",
        "centre_x_px",
        "centre_y_px",
        "width_px",
        "height_px",
        "angle_deg",
        "diameter_px",
        f"diameter_{unit}",
        f"diameter_error_{unit}",
        "visible_share",
        "score",
        "on_this_row",
        "doubts",
        "depth_grade",
        f"distance_{unit}",
        "same_as",
    )


def photo_columns(units: Units = METRIC) -> tuple[str, ...]:
    """Names of the columns of photos.csv."""
    unit = units.diameter.name
    return (
        "photo",
        "sha256",
        "taken_at",
        f"{unit}_per_px",
        f"{unit}_per_px_error",
        "fruit_count",
        "doubts",
    )


class RefusedThing(Protocol):
    """Anything that was left out: its name, what is wrong, what to do."""

    @property
    def name(self) -> str: ...
    @property
    def what(self) -> str: ...
    @property
    def fix(self) -> str: ...


def write_fruit_csv(measured: Iterable[MeasuredPhoto], path: Path, units: Units = METRIC) -> None:
    """Write every fruit of every photo.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    unit, photos = units.diameter, tuple(measured)
    names = {photo.photo.photo_id: photo.photo.name for photo in photos}
    rows = (
        _fruit_row(photo.photo.name, fruit, unit, names)
        for photo in photos
        for fruit in photo.fruit
    )
    save(path, csv_bytes(fruit_columns(units), rows))


def write_photos_csv(measured: Iterable[MeasuredPhoto], path: Path, units: Units = METRIC) -> None:
    """Write one row per photo.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    rows = (_photo_row(photo, units.diameter) for photo in measured)
    save(path, csv_bytes(photo_columns(units), rows))


def write_refused_csv(refused: Iterable[RefusedThing], path: Path) -> None:
    """Write what was left out, why, and what to do.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    rows = ((thing.name, thing.what, thing.fix) for thing in refused)
    save(path, csv_bytes(REFUSED_COLUMNS, rows))


# ---------------------------------------------------------------- rows


def _in(unit: Unit, value: float | None, decimals: int) -> float | None:
    """A metric number, known to so many decimals, in another unit."""
    return None if value is None else rounded(unit.shown(value), unit.decimals(decimals))


def _fruit_row(
    photo_name: str, fruit: Fruit, unit: Unit, names: Mapping[str, str]
) -> tuple[Cell, ...]:
    return (
        photo_name,
        fruit.fruit_id,
        round(fruit.centre_x_px, 2),
        round(fruit.centre_y_px, 2),
        round(fruit.width_px, 2),
        round(fruit.height_px, 2),
        round(fruit.angle_deg, 2),
        round(fruit.diameter_px, 2),
        _in(unit, fruit.diameter_mm, 2),
        _in(unit, fruit.diameter_error_mm, 2),
        round(fruit.visible_share, 4),
        round(fruit.score, 4),
        fruit.on_this_row,
        doubt_codes(fruit.doubts),
        fruit.depth_grade.value if fruit.diameter_mm is not None else None,
        _in(unit, fruit.distance_mm, 0),
        _twin_words(fruit, names),
    )


def _twin_words(fruit: Fruit, names: Mapping[str, str]) -> str | None:
    """Photo and number of the same fruit in another photo of the face, where it is counted."""
    if fruit.same_as is None:
        return None
    photo_id, fruit_id = fruit.same_as
    return f"{names.get(photo_id, photo_id)} {fruit_id}"


def _photo_row(measured: MeasuredPhoto, unit: Unit) -> tuple[Cell, ...]:
    taken_at, scale = measured.photo.taken_at, measured.scale
    return (
        measured.photo.name,
        measured.photo.photo_id,
        taken_at.isoformat() if taken_at else None,
        _in(unit, scale.mm_per_px if scale else None, 6),
        _in(unit, scale.mm_per_px_error if scale else None, 6),
        measured.fruit_count,
        doubt_codes(measured.doubts),
    )

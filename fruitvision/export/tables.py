"""CSV tables: UTF-8 without byte order mark, comma, decimal point, empty cell for what is unknown.

forecast.csv
    One row per crop and size class, and one row per crop with size_class 'all'. `level` is block,
    variety or farm; classes stand large fruit first. `pick_week` is the ISO week of the pick,
    `pick_monday` its first day. `share` is the part (0 to 1) of the picked fruit; fruit, bins and
    tonnes are what comes in; cartons are packed.
forecast_weeks.csv, _grades.csv, _picks.csv, _bridge.csv, _uses.csv, _inputs.csv
    What stands behind it: the tables of `details`.
fruit.csv, photos.csv
    One row per fruit, one per photo. `fruit_count` counts fruit with on_this_row true. `distance`
    is that of a fruit seen from two places; `same_as` is the photo and number of the same fruit.
refused.csv
    What was left out and why.

In units of the United States, `diameter_in` stands for `diameter_mm`, `in_per_px` for `mm_per_px`
and `short_tons` for `tonnes`, and so on: the name of a column always carries its unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Protocol

from fruitvision.domain import CropForecast, Estimate, Forecast, Fruit, MeasuredPhoto
from fruitvision.export.csv_text import Cell, csv_bytes, rounded
from fruitvision.export.details import PERCENTILES, Column, DetailTable, Value, detail_tables
from fruitvision.export.words import doubt_codes, large_first, note_of, pick_week, save
from fruitvision.forecast.picks import monday_of
from fruitvision.unit_system import METRIC, Unit, Units

REFUSED_COLUMNS = ("name", "what", "fix")

# Last columns of every table of a forecast.
ORIGIN_COLUMNS = ("note", "farm", "made_on", "forecast_id", "size_table")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """An estimate of forecast.csv: the field that holds it, the name of its columns, its unit."""

    of: str
    name: str
    decimals: int
    unit: Unit | None = None


def _estimates_shown(units: Units) -> tuple[_Shown, ...]:
    """Estimates of forecast.csv, with decimals finer than any of them is known."""
    size, crop = units.diameter, units.crop
    return (
        _Shown(of="share", name="share", decimals=4),
        _Shown(of="cartons", name="cartons", decimals=1),
        _Shown(of="fruit", name="fruit", decimals=0),
        _Shown(of="bins", name="bins", decimals=1),
        _Shown(of="tonnes", name=crop.name, decimals=crop.decimals(2), unit=crop),
        _Shown(
            of="diameter_mm",
            name=f"diameter_{size.name}",
            decimals=size.decimals(1),
            unit=size,
        ),
    )


def forecast_columns(units: Units = METRIC) -> tuple[str, ...]:
    """Names of the columns of forecast.csv."""
    names = [f"{one.name}_{p}" for one in _estimates_shown(units) for p in PERCENTILES]
    start = ("level", "name", "variety", "pick_date", "pick_week", "pick_monday", "size_class")
    return (*start, *names, "doubts", "rests_on", *ORIGIN_COLUMNS)


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


def write_forecast_csv(forecast: Forecast, path: Path, units: Units = METRIC) -> None:
    """Write a forecast as one flat table, numbers rounded for reading.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    origin = _origin(forecast)
    crops = [("block", crop) for crop in forecast.blocks]
    crops += [("variety", crop) for crop in forecast.varieties]
    crops += [("farm", forecast.total)]
    rows = ((*row, *origin) for level, crop in crops for row in _crop_rows(level, crop, units))
    save(path, csv_bytes(forecast_columns(units), rows))


def write_detail_csvs(forecast: Forecast, folder: Path, units: Units = METRIC) -> None:
    """Write the tables behind a forecast, one file each, as `details` names them.

    Raises
    ------
    StoreError
        If a file can't be written.
    """
    for table in detail_tables(forecast, units):
        save(folder / detail_file(table.name), _detail_csv(table, forecast))


def write_weeks_csv(forecast: Forecast, path: Path, units: Units = METRIC) -> None:
    """Write cartons by week and class alone.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    save(path, _detail_csv(detail_tables(forecast, units)[0], forecast))


def detail_file(name: str) -> str:
    """Name of the file of a table of `details`."""
    return f"forecast_{name}.csv"


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


def _origin(forecast: Forecast) -> tuple[str, ...]:
    return (
        note_of(forecast),
        forecast.farm,
        forecast.made_on.isoformat(),
        forecast.forecast_id,
        forecast.size_table,
    )


def _detail_csv(table: DetailTable, forecast: Forecast) -> bytes:
    columns = (*(column.name for column in table.columns), *ORIGIN_COLUMNS)
    origin = _origin(forecast)
    rows = ((*map(_detail_cell, row, table.columns), *origin) for row in table.rows)
    return csv_bytes(columns, rows)


def _detail_cell(value: Value, column: Column) -> Cell:
    if isinstance(value, date):
        return value.isoformat()
    return value if isinstance(value, str) else rounded(value, column.decimals)


def _crop_rows(level: str, crop: CropForecast, units: Units) -> Iterator[tuple[Cell, ...]]:
    day = crop.pick_date
    days = (day.isoformat(), pick_week(day), monday_of(day).isoformat()) if day else ("", "", "")
    start = (level, crop.name, crop.variety, *days)
    doubts = doubt_codes(crop.doubts)
    for one in large_first(crop.classes):
        numbers = _estimates(units, share=one.share, cartons=one.cartons)
        yield (*start, one.size_class, *numbers, doubts, crop.rests_on)
    numbers = _estimates(
        units,
        cartons=crop.cartons,
        fruit=crop.fruit,
        bins=crop.bins,
        tonnes=crop.tonnes,
        diameter_mm=crop.diameter_mm,
    )
    yield (*start, "all", *numbers, doubts, crop.rests_on)


def _estimates(units: Units, **known: Estimate | None) -> Iterator[float | None]:
    """P10, P50 and P90 of each estimate in column order; None where there is none."""
    for one in _estimates_shown(units):
        estimate = known.get(one.of)
        if one.unit is not None:
            estimate = one.unit.shown_range(estimate)
        for percentile in PERCENTILES:
            yield rounded(getattr(estimate, percentile) if estimate else None, one.decimals)


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

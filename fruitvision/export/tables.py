"""CSV tables: UTF-8 without byte order mark, comma, decimal point, empty cell for what is unknown.

forecast.csv
    One row per crop and size class, and one row per crop with size_class 'all'. `level` is block,
    variety or farm; classes stand large fruit first. `pick_week` is the ISO week of the pick,
    `pick_monday` its first day. `share` is the part (0 to 1) of the picked fruit; fruit, bins and
    tonnes are what comes in; cartons are packed.
forecast_weeks.csv, _grades.csv, _picks.csv, _bridge.csv, _uses.csv, _inputs.csv
    What stands behind it: the tables of `details`.

In units of the United States, `diameter_in` stands for `diameter_mm` and `short_tons` for `tonnes`,
and so on: the name of a column always carries its unit. What was measured: see `measured`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fruitvision.domain import CropForecast, Estimate, Forecast
from fruitvision.export.csv_text import Cell, csv_bytes, rounded
from fruitvision.export.details import PERCENTILES, Column, DetailTable, Value, detail_tables
from fruitvision.export.words import doubt_codes, large_first, note_of, pick_week, save
from fruitvision.forecast.picks import monday_of
from fruitvision.unit_system import METRIC, Unit, Units

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


def write_forecast_csv(
    forecast: Forecast, path: Path, units: Units = METRIC, *, moved: Sequence[str] = ()
) -> None:
    """Write a forecast as one flat table, numbers rounded for reading.

    Parameters
    ----------
    moved : sequence of str
        Blocks whose passes are not the forecast's; every row says so.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    origin = _origin(forecast, moved)
    crops = [("block", crop) for crop in forecast.blocks]
    crops += [("variety", crop) for crop in forecast.varieties]
    crops += [("farm", forecast.total)]
    rows = ((*row, *origin) for level, crop in crops for row in _crop_rows(level, crop, units))
    save(path, csv_bytes(forecast_columns(units), rows))


def write_detail_csvs(
    forecast: Forecast, folder: Path, units: Units = METRIC, *, moved: Sequence[str] = ()
) -> None:
    """Write the tables behind a forecast, one file each, as `details` names them.

    Parameters
    ----------
    moved : sequence of str
        As in `write_forecast_csv`.

    Raises
    ------
    StoreError
        If a file can't be written.
    """
    for table in detail_tables(forecast, units):
        save(folder / detail_file(table.name), _detail_csv(table, forecast, moved))


def write_weeks_csv(
    forecast: Forecast, path: Path, units: Units = METRIC, *, moved: Sequence[str] = ()
) -> None:
    """Write cartons by week and class alone.

    Parameters
    ----------
    moved : sequence of str
        As in `write_forecast_csv`.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    save(path, _detail_csv(detail_tables(forecast, units)[0], forecast, moved))


def detail_file(name: str) -> str:
    """Name of the file of a table of `details`."""
    return f"forecast_{name}.csv"


# ---------------------------------------------------------------- rows


def _origin(forecast: Forecast, moved: Sequence[str]) -> tuple[str, ...]:
    return (
        note_of(forecast, moved),
        forecast.farm,
        forecast.made_on.isoformat(),
        forecast.forecast_id,
        forecast.size_table,
    )


def _detail_csv(table: DetailTable, forecast: Forecast, moved: Sequence[str]) -> bytes:
    columns = (*(column.name for column in table.columns), *ORIGIN_COLUMNS)
    origin = _origin(forecast, moved)
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

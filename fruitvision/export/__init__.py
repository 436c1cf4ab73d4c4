"""What leaves the tool: forecasts as JSON, CSV and workbook, measurements as CSV, sales sheets.

Every file is written whole or not at all. Codes of doubts are joined by ';'. Text that a
spreadsheet would run as a formula stays text.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fruitvision.export.details import detail_tables
    from fruitvision.export.document import read_forecast_json, write_forecast_json
    from fruitvision.export.harvest import write_harvest_csv
    from fruitvision.export.measured import (
        write_fruit_csv,
        write_photos_csv,
        write_refused_csv,
    )
    from fruitvision.export.tables import (
        detail_file,
        write_detail_csvs,
        write_forecast_csv,
        write_weeks_csv,
    )
    from fruitvision.export.workbook import write_forecast_xlsx

# Names and where they live; imported on first use, so that one photo loads no forecast.
_HOMES = {
    "detail_file": "tables",
    "detail_tables": "details",
    "read_forecast_json": "document",
    "write_detail_csvs": "tables",
    "write_forecast_csv": "tables",
    "write_forecast_json": "document",
    "write_forecast_xlsx": "workbook",
    "write_fruit_csv": "measured",
    "write_harvest_csv": "harvest",
    "write_photos_csv": "measured",
    "write_refused_csv": "measured",
    "write_weeks_csv": "tables",
}

__all__ = [
    "detail_file",
    "detail_tables",
    "read_forecast_json",
    "write_detail_csvs",
    "write_forecast_csv",
    "write_forecast_json",
    "write_forecast_xlsx",
    "write_fruit_csv",
    "write_harvest_csv",
    "write_photos_csv",
    "write_refused_csv",
    "write_weeks_csv",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    module, _, known_as = _HOMES[name].partition(".")
    return getattr(import_module(f"{__name__}.{module}"), known_as or name)

"""What leaves the tool: forecasts as JSON, CSV and workbook, measurements as CSV, sales sheets.

Every file is written whole or not at all. Codes of doubts are joined by ';'. Text that a
spreadsheet would run as a formula stays text.
"""

from fruitvision.export.details import detail_tables
from fruitvision.export.document import read_forecast_json, write_forecast_json
from fruitvision.export.harvest import write_harvest_csv
from fruitvision.export.tables import (
    detail_file,
    write_detail_csvs,
    write_forecast_csv,
    write_fruit_csv,
    write_photos_csv,
    write_refused_csv,
    write_weeks_csv,
)
from fruitvision.export.workbook import write_forecast_xlsx

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

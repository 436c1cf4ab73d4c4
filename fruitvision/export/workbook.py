"""A forecast as a workbook for sales and packing: pack-out, blocks, what stands behind them."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from fruitvision.domain import CropForecast, Estimate, Forecast
from fruitvision.export.details import PERCENTILES, DetailTable, detail_tables
from fruitvision.export.words import (
    CAUTIONS,
    HOW_TO_READ,
    all_doubts,
    doubt_words,
    large_first,
    note_of,
    pick_week,
    save,
)
from fruitvision.forecast.picks import monday_of
from fruitvision.forecast.summary import ALL
from fruitvision.unit_system import METRIC, Units

PACK_OUT_HEADERS = (
    "Variety",
    "Pick week",
    "Monday of the week",
    "Size class",
    "Share P10 (%)",
    "Share P50 (%)",
    "Share P90 (%)",
    "P10 (cartons)",
    "P50 (cartons)",
    "P90 (cartons)",
    "Doubts",
)


def block_headers(units: Units = METRIC) -> tuple[str, ...]:
    """Heads of the columns of the sheet of blocks."""
    numbers = (
        ("Picked", "fruit"),
        ("Picked", "bins"),
        ("Picked", units.crop.name.replace("_", " ")),
        ("Packed", "cartons"),
        ("Mean diameter", units.diameter.symbol),
    )
    return (
        "Block",
        "Variety",
        "Pick date",
        "Pick week",
        "Monday of the week",
        *(f"{name} {p.upper()} ({unit})" for name, unit in numbers for p in PERCENTILES),
        "Doubts",
        "Rests on",
    )


# Tables of `details` that passes which were moved make old.
_OF_DAYS = {"weeks", "picks"}
_NOTE_WIDTH = 60
_CHART_COLUMN = len(PACK_OUT_HEADERS) + 1
_CHART_ROWS = 16


def write_forecast_xlsx(
    forecast: Forecast, path: Path, units: Units = METRIC, *, moved: Sequence[str] = ()
) -> None:
    """Write a forecast as a workbook with real numbers and a chart per variety.

    Sheets: pack-out, blocks, the tables of `details` that hold something, and how far to trust it.

    The same forecast gives the same file.

    Parameters
    ----------
    moved : sequence of str
        Blocks whose passes are not the forecast's: the sheets that tell weeks and days
        say so in each row, and the last one in words.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    import xlsxwriter

    stream = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    with xlsxwriter.Workbook(stream, options) as workbook:
        made_at = datetime.combine(forecast.made_on, time())
        workbook.set_properties(
            {"title": f"{forecast.farm}: {note_of(forecast, moved)}", "created": made_at}
        )
        sheets = _Sheets(workbook, units, note_of(forecast, moved) if moved else "")
        sheets.pack_out(forecast)
        sheets.blocks(forecast)
        for table in detail_tables(forecast, units):
            if table.rows:
                sheets.detail(table)
        sheets.about(forecast)
    save(path, stream.getvalue())


class _Sheets:
    """The sheets of one workbook and the formats that they share."""

    def __init__(self, workbook: Any, units: Units, note: str) -> None:
        self._workbook = workbook
        self._units = units
        self._note = note
        self._header = workbook.add_format(
            {"bold": True, "text_wrap": True, "valign": "top", "bottom": 1}
        )
        self._bold = workbook.add_format({"bold": True})
        self._wrapped = workbook.add_format({"text_wrap": True, "valign": "top"})
        self._day = workbook.add_format({"num_format": "yyyy-mm-dd", "align": "left"})
        self._whole = workbook.add_format({"num_format": "#,##0"})
        self._tenths = workbook.add_format({"num_format": "#,##0.0"})
        self._decimals: dict[int, Any] = {}
        self._size = self._decimal(units.diameter.decimals(1))

    def pack_out(self, forecast: Forecast) -> None:
        """Varieties by size class: share and cartons, and a chart of each."""
        sheet = self._table("Pack-out", PACK_OUT_HEADERS, widths=(16, 11, 12, 12, *[10] * 6, 60))
        row, chart_row = 1, 0
        for crop in (*forecast.varieties, forecast.total):
            first = row
            name, week = _shown_name(crop, forecast), pick_week(crop.pick_date)
            for one in large_first(crop.classes):
                self._text(sheet, row, (name, week, "", one.size_class))
                self._monday(sheet, row, 2, crop.pick_date)
                percent = (100 * one.share.p10, 100 * one.share.p50, 100 * one.share.p90)
                for column, value in enumerate(percent, start=4):
                    sheet.write_number(row, column, value, self._tenths)
                self._estimate(sheet, row, 7, one.cartons, self._whole)
                row += 1
            self._text(sheet, row, (name, week, "", ALL))
            self._monday(sheet, row, 2, crop.pick_date)
            self._estimate(sheet, row, 7, crop.cartons, self._whole)
            sheet.write_string(row, 10, doubt_words(crop.doubts))
            sheet.set_row(row, None, self._bold)
            row += 1
            if crop.classes:
                chart = self._chart(crop, _shown_name(crop, forecast), first)
                sheet.insert_chart(chart_row, _CHART_COLUMN, chart)
                chart_row += _CHART_ROWS

    def blocks(self, forecast: Forecast) -> None:
        """Blocks, and the farm below them: fruit, bins, mass, cartons, diameter."""
        sheet = self._table(
            "Blocks",
            block_headers(self._units),
            widths=(18, 14, 11, 11, 12, *[11] * 15, 60, 60),
            freeze_columns=1,
        )
        for row, crop in enumerate((*forecast.blocks, forecast.total), start=1):
            week = pick_week(crop.pick_date)
            self._text(sheet, row, (_shown_name(crop, forecast), crop.variety, "", week))
            if crop.pick_date is not None:
                sheet.write_datetime(row, 2, _at_midnight(crop.pick_date), self._day)
            self._monday(sheet, row, 4, crop.pick_date)
            numbers = (
                (crop.fruit, self._whole),
                (crop.bins, self._tenths),
                (self._units.crop.shown_range(crop.tonnes), self._tenths),
                (crop.cartons, self._whole),
                (self._units.diameter.shown_range(crop.diameter_mm), self._size),
            )
            for index, (estimate, number_format) in enumerate(numbers):
                self._estimate(sheet, row, 5 + 3 * index, estimate, number_format)
            sheet.write_string(row, 20, doubt_words(crop.doubts))
            sheet.write_string(row, 21, crop.rests_on)

    def detail(self, table: DetailTable) -> None:
        """One table of what stands behind a forecast: text, real dates and real numbers."""
        widths = [_width(table, index) for index in range(len(table.columns))]
        sheet = self._table(table.sheet, [column.head for column in table.columns], widths=widths)
        for row, values in enumerate(table.rows, start=1):
            for index, (value, column) in enumerate(zip(values, table.columns, strict=True)):
                if isinstance(value, date):
                    sheet.write_datetime(row, index, _at_midnight(value), self._day)
                elif isinstance(value, str):
                    sheet.write_string(row, index, value)
                elif value is not None:
                    sheet.write_number(row, index, value, self._decimal(column.decimals))
        if self._note and table.name in _OF_DAYS:
            self._last_column(sheet, len(table.columns), len(table.rows))

    def _last_column(self, sheet: Any, column: int, rows: int) -> None:
        """What rows say of themselves, beside each."""
        sheet.set_column(column, column, _NOTE_WIDTH)
        sheet.write_string(0, column, "Note", self._header)
        for row in range(1, rows + 1):
            sheet.write_string(row, column, self._note)

    def _decimal(self, decimals: int) -> Any:
        """A number format with so many decimals, made once."""
        if decimals not in self._decimals:
            text = "#,##0" + (f".{'0' * decimals}" if decimals else "")
            self._decimals[decimals] = self._workbook.add_format({"num_format": text})
        return self._decimals[decimals]

    def about(self, forecast: Forecast) -> None:
        """Where the numbers come from, what is doubtful about them, and the cautions."""
        sheet = self._workbook.add_worksheet("About")
        sheet.set_column(0, 0, 20, self._header)
        sheet.set_column(1, 1, 100, self._wrapped)
        origin = forecast.made_with
        what = self._note or note_of(forecast)
        lines = [
            ("Farm", forecast.farm),
            ("What this is", f"{what[0].upper()}{what[1:]}."),
            ("Made on", forecast.made_on.isoformat()),
            ("Forecast", _identity(forecast)),
            ("Size table", forecast.size_table),
            ("Units", f"{self._units.words}; bins and cartons as the farm has set them"),
            ("Made with", f"fruitvision {origin.version}, detector {origin.detector}"),
            ("Settings", origin.settings_sha256),
            ("Seed", str(forecast.seed)),
            ("How to read it", HOW_TO_READ),
            ("Rests on", forecast.total.rests_on),
            ("Next action", forecast.next_action),
            *(("Doubt", doubt.words) for doubt in all_doubts(forecast)),
            *(("Caution", sentence) for sentence in CAUTIONS),
        ]
        for row, (name, words) in enumerate(lines):
            sheet.write_string(row, 0, name)
            sheet.write_string(row, 1, words)

    def _table(
        self, name: str, headers: Sequence[str], *, widths: Sequence[float], freeze_columns: int = 0
    ) -> Any:
        sheet = self._workbook.add_worksheet(name)
        sheet.freeze_panes(1, freeze_columns)
        sheet.set_row(0, 48)
        for column, (header, width) in enumerate(zip(headers, widths, strict=True)):
            sheet.set_column(column, column, width)
            sheet.write_string(0, column, header, self._header)
        return sheet

    @staticmethod
    def _text(sheet: Any, row: int, texts: Sequence[str]) -> None:
        for column, text in enumerate(texts):
            if text:
                sheet.write_string(row, column, text)

    def _monday(self, sheet: Any, row: int, column: int, day: date | None) -> None:
        if day is not None:
            sheet.write_datetime(row, column, _at_midnight(monday_of(day)), self._day)

    @staticmethod
    def _estimate(
        sheet: Any, row: int, column: int, estimate: Estimate | None, number_format: Any
    ) -> None:
        """P10, P50 and P90 in three cells; three blank ones where there is no estimate."""
        if estimate is None:
            return
        for offset, value in enumerate((estimate.p10, estimate.p50, estimate.p90)):
            sheet.write_number(row, column + offset, value, number_format)

    def _chart(self, crop: CropForecast, name: str, first: int) -> Any:
        """Columns of P50 with bars from P10 to P90."""
        last = first + len(crop.classes) - 1
        cartons = [one.cartons for one in large_first(crop.classes)]
        chart = self._workbook.add_chart({"type": "column"})
        chart.add_series(
            {
                "name": "P50, bars P10 to P90",
                "categories": ["Pack-out", first, 3, last, 3],
                "values": ["Pack-out", first, 8, last, 8],
                "gap": 60,
                "y_error_bars": {
                    "type": "custom",
                    "plus_values": [one.p90 - one.p50 for one in cartons],
                    "minus_values": [one.p50 - one.p10 for one in cartons],
                },
            }
        )
        # A title that starts with = would be read as a reference to a cell.
        chart.set_title({"name": f"Cartons of {name}", "name_font": {"size": 11}})
        chart.set_legend({"position": "bottom"})
        chart.set_x_axis({"name": "Size class"})
        chart.set_y_axis({"name": "Cartons packed", "min": 0, "num_format": "#,##0"})
        chart.set_size({"width": 520, "height": 300})
        return chart


def _shown_name(crop: CropForecast, forecast: Forecast) -> str:
    return f"{forecast.farm} (all)" if crop is forecast.total else crop.name


def _identity(forecast: Forecast) -> str:
    """`number 3, 2026-08-14-3fb3ebf5`; without a number where it is not kept."""
    number = f"number {forecast.number}, " if forecast.number else ""
    return f"{number}{forecast.forecast_id}"


# Columns of a detail table are as wide as their longest text, up to this many characters.
_WIDEST = 44


def _width(table: DetailTable, index: int) -> float:
    texts = [str(row[index]) for row in table.rows if isinstance(row[index], str)]
    return float(min(_WIDEST, max(11, *map(len, texts)) if texts else 13))


def _at_midnight(day: date) -> datetime:
    return datetime.combine(day, time())

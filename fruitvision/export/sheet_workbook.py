"""A sales sheet as a workbook: real numbers and days, a chart with the ranges, ready to print.

Sheets: the lines, charts of them, grades where there are any, and what the sheet says of itself.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime, time
from pathlib import Path
from typing import Any

from fruitvision.domain import Estimate
from fruitvision.export.sheet_words import (
    HOW_SAFE,
    HOW_SUMS,
    about_lines,
    carton_words,
    moved_words,
    no_promise_words,
    stage_words,
    title_of,
    track_words,
    version_words,
    week_words,
    why_words,
)
from fruitvision.export.words import CAUTIONS, HOW_TO_READ, NOTE, save
from fruitvision.forecast.summary import ALL
from fruitvision.sheet import SalesSheet, SheetLine
from fruitvision.unit_system import METRIC, Units

# Row of the heads of columns, counted from 0; what stands above them is for people.
HEAD_ROW = 5
# Below so many cartons a decimal is shown. Our choice, as on the page of sales.
_FEW = 10
# Paper by its name, as a workbook numbers it (ECMA-376, part 1, 18.3.1.63).
PAPERS = {"A4": 9, "Letter": 1}
_LINES, _CHARTS = "Sales sheet", "Charts"
_SAND, _RUSSET, _BARK = "#cfa98f", "#7a3b2e", "#3f3528"


def write_sheet_xlsx(
    sheet: SalesSheet, path: Path, units: Units = METRIC, *, paper: str = "A4"
) -> None:
    """Write a sheet as a workbook; the same sheet gives the same file.

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
        made_at = datetime.combine(sheet.version.made_on, time())
        # No author, company or keywords: the file goes to people who are not to know them.
        workbook.set_properties({"title": f"{title_of(sheet)}, {NOTE}", "created": made_at})
        book = _Book(workbook, sheet, paper)
        book.lines(units)
        book.charts()
        if sheet.grades:
            book.grades()
        book.about(units)
    save(path, stream.getvalue())


class _Book:
    """The sheets of one workbook and the formats that they share."""

    def __init__(self, workbook: Any, sheet: SalesSheet, paper: str) -> None:
        self._workbook = workbook
        self._sheet = sheet
        self._paper = PAPERS[paper]
        self._title = workbook.add_format({"bold": True, "font_size": 16, "font_color": _RUSSET})
        self._bold = workbook.add_format({"bold": True})
        self._wrapped = workbook.add_format({"text_wrap": True, "valign": "top"})
        self._head = workbook.add_format(
            {"bold": True, "text_wrap": True, "valign": "top", "bottom": 2, "bottom_color": _RUSSET}
        )
        self._formats: dict[tuple[str, bool], Any] = {}

    # ------------------------------------------------------------ sheets

    def lines(self, units: Units) -> None:
        """Every week and class, sums in bold."""
        sheet, heads = self._sheet, self._heads()
        page = self._new(_LINES, [11, 12, 11, *[11] * (len(heads) - 4), 44])
        page.write_string(0, 0, title_of(sheet), self._title)
        unit = carton_words(sheet, units)
        for row, words in enumerate(
            (
                f"{NOTE[0].upper()}{NOTE[1:]}. {sheet.farm}; {unit}.",
                f"{version_words(sheet.version, for_buyer=sheet.for_buyer)}.",
                f"Stage: {stage_words(sheet)}. Track record: {track_words(sheet)}.",
                " ".join(filter(None, (no_promise_words(sheet), moved_words(sheet)))),
            ),
            start=1,
        ):
            page.write_string(row, 0, words, self._bold if row in (1, 4) else None)
        self._head_row(page, HEAD_ROW, heads)
        for row, line in enumerate(sheet.lines, start=HEAD_ROW + 1):
            self._line(page, row, line)
        page.freeze_panes(HEAD_ROW + 1, 3)
        last = HEAD_ROW + len(sheet.lines)
        page.autofilter(HEAD_ROW, 0, last, len(heads) - 1)
        page.repeat_rows(HEAD_ROW)
        page.print_area(0, 0, last, len(heads) - 1)

    def charts(self) -> None:
        """P50 with bars from P10 to P90: by week, and by class of all weeks."""
        sheet = self._sheet
        page = self._new(_CHARTS, [14, *[11] * 5])
        weeks = [(week_words(week), sheet.line(week).cartons) for week in sheet.weeks]
        classes = [(name, sheet.line(None, name).cartons) for name in sheet.classes]
        row, at = 0, 0
        for head, rows in (("Week", weeks), ("Class, all weeks", classes)):
            if rows:
                self._chart(page, head, rows, row, at)
                row, at = row + len(rows) + 2, at + 17

    def grades(self) -> None:
        """All weeks by grade and class."""
        heads = ("Grade", "Class", *(f"{p} (cartons)" for p in ("P10", "P50", "P90")))
        page = self._new("Grades", [16, 12, 11, 11, 11])
        page.freeze_panes(1, 2)
        self._head_row(page, 0, heads)
        for row, one in enumerate(self._sheet.grades, start=1):
            bold = one.size_class == ALL
            self._text(page, row, 0, one.grade, bold=bold)
            self._text(page, row, 1, one.size_class, bold=bold)
            self._range(page, row, 2, one.cartons, bold=bold)

    def about(self, units: Units) -> None:
        """Where the numbers come from, how to read them, and the cautions."""
        page = self._new("About", [16, 100])
        safe = [] if self._sheet.for_buyer else [("Safe", HOW_SAFE)]
        lines = [
            *about_lines(self._sheet, units),
            ("How to read it", HOW_TO_READ),
            ("Sums", HOW_SUMS),
            *safe,
            *(("Caution", words) for words in CAUTIONS),
        ]
        for row, (name, words) in enumerate(lines):
            page.write_string(row, 0, name, self._bold)
            page.write_string(row, 1, words, self._wrapped)

    # ------------------------------------------------------------ parts

    def _heads(self) -> list[str]:
        quantile = self._sheet.promise_quantile
        safe = [] if quantile is None else [f"Safe, P{100 * quantile:.3g} (cartons)"]
        ranges = [f"{percentile} (cartons)" for percentile in ("P10", "P50", "P90")]
        moved = ["Mean (cartons)", "Change (cartons)", "Causes (cartons each)"]
        return ["Week", "Monday", "Class", *safe, *ranges, *moved]

    def _line(self, page: Any, row: int, line: SheetLine) -> None:
        bold = line.size_class == ALL
        self._text(page, row, 0, week_words(line.week), bold=bold)
        if line.week is not None:
            at_midnight = datetime.combine(line.week, time())
            page.write_datetime(row, 1, at_midnight, self._format("yyyy-mm-dd", bold))
        self._text(page, row, 2, line.size_class, bold=bold)
        column = 3
        if self._sheet.promise_quantile is not None:
            self._number(page, row, column, line.safe_cartons, "#,##0", bold=bold)
            column += 1
        form = self._range(page, row, column, line.cartons, bold=bold)
        self._number(page, row, column + 3, line.mean_cartons, form, bold=bold)
        change = f"+{form};-{form};0"
        self._number(page, row, column + 4, line.change_cartons, change, bold=bold)
        self._text(page, row, column + 5, why_words(line.steps), bold=bold)

    def _range(self, page: Any, row: int, column: int, cartons: Estimate, *, bold: bool) -> str:
        """P10, P50 and P90 in three cells; how numbers of this size are written."""
        form = "#,##0.0" if 0 < cartons.p90 < _FEW else "#,##0"
        for offset, value in enumerate((cartons.p10, cartons.p50, cartons.p90)):
            self._number(page, row, column + offset, value, form, bold=bold)
        return form

    def _number(
        self, page: Any, row: int, column: int, value: float | None, form: str, *, bold: bool
    ) -> None:
        if value is not None:
            page.write_number(row, column, value, self._format(form, bold))

    def _text(self, page: Any, row: int, column: int, words: str, *, bold: bool) -> None:
        if words:
            page.write_string(row, column, words, self._format("@", bold))

    def _format(self, form: str, bold: bool) -> Any:
        if (form, bold) not in self._formats:
            look = (
                {"num_format": form, "align": "left"} if form[0] in "@y" else {"num_format": form}
            )
            sums = {"bold": True, "bottom": 1, "bottom_color": _SAND} if bold else {}
            self._formats[form, bold] = self._workbook.add_format({**look, **sums})
        return self._formats[form, bold]

    def _new(self, name: str, widths: Sequence[float]) -> Any:
        """An empty sheet that prints one page wide and says on every page what it is."""
        page = self._workbook.add_worksheet(name)
        for column, width in enumerate(widths):
            page.set_column(column, column, width)
        # Classes such as 80 are names: no mark of a mistake beside them.
        page.ignore_errors({"number_stored_as_text": "A1:C1048576"})
        page.set_paper(self._paper)
        page.set_landscape()
        page.fit_to_pages(1, 0)
        # An & begins a command in what is printed above and below a page.
        title = title_of(self._sheet).replace("&", "&&")
        page.set_header(f"&L{title[:120]}&R{self._sheet.version.forecast_id}")
        page.set_footer(f"&L{NOTE}&RPage &P of &N")
        return page

    def _head_row(self, page: Any, row: int, heads: Sequence[str]) -> None:
        page.set_row(row, 32)
        for column, head in enumerate(heads):
            page.write_string(row, column, head, self._head)

    def _chart(
        self, page: Any, head: str, rows: Sequence[tuple[str, Estimate]], first: int, at: int
    ) -> None:
        """A small table and beside it the chart that is drawn from it."""
        bars = ("P90 to P50", "P50 to P10")
        self._head_row(
            page, first, (head, "P10 (cartons)", "P50 (cartons)", "P90 (cartons)", *bars)
        )
        for row, (name, cartons) in enumerate(rows, start=first + 1):
            self._text(page, row, 0, name, bold=False)
            form = self._range(page, row, 1, cartons, bold=False)
            sides = (cartons.p90 - cartons.p50, cartons.p50 - cartons.p10)
            for column, value in enumerate(sides, start=4):
                self._number(page, row, column, value, form, bold=False)
        top, end = first + 1, first + len(rows)
        chart = self._workbook.add_chart({"type": "column"})
        chart.add_series(
            {
                "name": "P50, bars P10 to P90",
                "categories": [_CHARTS, top, 0, end, 0],
                "values": [_CHARTS, top, 2, end, 2],
                "gap": 60,
                "fill": {"color": _SAND},
                "y_error_bars": {
                    "type": "custom",
                    "plus_values": f"={_CHARTS}!$E${top + 1}:$E${end + 1}",
                    "minus_values": f"={_CHARTS}!$F${top + 1}:$F${end + 1}",
                    "line": {"color": _BARK, "width": 1.5},
                },
            }
        )
        chart.set_title({"name": f"Cartons of {self._sheet.variety}", "name_font": {"size": 11}})
        chart.set_legend({"position": "bottom"})
        chart.set_x_axis({"name": head})
        chart.set_y_axis({"name": "Cartons packed", "min": 0, "num_format": "#,##0"})
        chart.set_size({"width": 560, "height": 320})
        page.insert_chart(at, 7, chart)

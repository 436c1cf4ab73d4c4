"""Names that are formulas, markup or line ends stay text in every file that leaves."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from fruitvision.domain import Forecast, RegisteredTree, TreeId
from fruitvision.export import (
    write_detail_csvs,
    write_forecast_csv,
    write_forecast_json,
    write_forecast_xlsx,
    write_weeks_csv,
)
from fruitvision.export.calendar_ics import write_harvest_ics
from fruitvision.export.calendar_pdf import write_harvest_pdf
from fruitvision.export.geojson import MappedBlock, write_geojson
from fruitvision.export.harvest import write_harvest_csv
from fruitvision.export.sheets import SHEET_FORMS, write_sheet
from fruitvision.harvest import HarvestCalendar, harvest_calendar
from fruitvision.pipeline import forecast_farm
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm
from tests import records
from tests.sheet_records import large_sheet
from tests.test_harvest import kept, three_passes
from tests.walked_farm import SETTINGS, add_good_block

# A formula, markup for a page or a PDF, and a line end that would begin another property.
NAMES = (
    '=HYPERLINK("https://e.example";"x")',
    "+cmd|' /C calc'!A0",
    '<img src="/etc/passwd"/><b>&amp;</b>',
    "North\r\nATTENDEE:mailto:x@e.example",
    '{"a": 1}","b',
)
ON = date(2026, 8, 20)
AT = datetime(2026, 8, 20, 9, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def forecast(tmp_path_factory: pytest.TempPathFactory) -> Forecast:
    with open_farm(tmp_path_factory.mktemp("names") / "farm") as store:
        for name in NAMES[:1]:
            add_good_block(store, name)
        table = load_size_table("classes_5mm")
        made, refused = forecast_farm(store, table, SETTINGS, made_on=ON)
    assert not refused
    return made


@pytest.fixture(scope="module")
def calendar() -> HarvestCalendar:
    return harvest_calendar(_of_all_names(), SETTINGS)


def _of_all_names() -> Forecast:
    """A forecast whose inputs and picks hold all names, without numbers by class."""
    return kept([three_passes(name) for name in NAMES])


def _no_formula_in(path: Path) -> None:
    with path.open(newline="", encoding="utf-8") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    assert cells
    for cell in cells:
        number = re.fullmatch(r"[+-]?\d+(\.\d+)?(e[+-]?\d+)?", cell)
        assert number or not cell.lstrip().startswith(("=", "+", "-", "@")), cell


def test_no_cell_of_a_csv_is_a_formula(
    forecast: Forecast, calendar: HarvestCalendar, tmp_path: Path
) -> None:
    write_forecast_csv(forecast, tmp_path / "forecast.csv")
    write_weeks_csv(forecast, tmp_path / "weeks.csv")
    write_detail_csvs(forecast, tmp_path)
    write_harvest_csv(calendar, tmp_path / "harvest.csv")
    (tmp_path / "all").mkdir()
    write_detail_csvs(_of_all_names(), tmp_path / "all")
    paths = sorted(tmp_path.rglob("*.csv"))
    assert len(paths) >= 5
    for path in paths:
        _no_formula_in(path)
    assert "'=HYPERLINK" in (tmp_path / "forecast.csv").read_text(encoding="utf-8")


def test_no_cell_of_a_workbook_is_a_formula_or_a_link(tmp_path: Path) -> None:
    write_forecast_xlsx(_of_all_names(), tmp_path / "forecast.xlsx")
    found = set()
    for sheet in load_workbook(tmp_path / "forecast.xlsx"):
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f"
                assert cell.hyperlink is None
                found.add(cell.value)
    assert set(NAMES[:3]) <= found


def test_the_document_gives_the_same_names_back(tmp_path: Path) -> None:
    write_forecast_json(_of_all_names(), tmp_path / "forecast.json")
    text = (tmp_path / "forecast.json").read_text(encoding="utf-8")
    assert all(json.dumps(name, ensure_ascii=False) in text for name in NAMES)


def test_no_name_adds_a_property_to_a_calendar(calendar: HarvestCalendar, tmp_path: Path) -> None:
    write_harvest_ics(calendar, tmp_path / "a.ics", written_at=AT, sequence=1, is_frozen=True)
    unfolded = re.sub(rb"\r\n[ \t]", b"", (tmp_path / "a.ics").read_bytes()).decode()
    names = {re.split("[;:]", line)[0] for line in re.split(r"\r\n|\n|\r", unfolded)}
    assert "ATTENDEE" not in names
    assert "SUMMARY" in names


def test_a_pdf_draws_letters_and_reads_no_file(calendar: HarvestCalendar, tmp_path: Path) -> None:
    named = replace(calendar, farm=NAMES[2])
    write_harvest_pdf(named, tmp_path / "a.pdf", written_on=ON, version="version <b>1</b>")
    reader = PdfReader(tmp_path / "a.pdf")
    text = " ".join(page.extract_text() for page in reader.pages)
    assert "<b>1</b>" in text
    assert "<img" in text
    assert "root:" not in text
    assert not any("/URI" in str(page.get("/Annots", "")) for page in reader.pages)
    names = reader.trailer["/Root"]
    assert "/OpenAction" not in names
    assert "/Names" not in names


def test_a_sales_sheet_with_such_names_is_whole_in_every_form(tmp_path: Path) -> None:
    sheet = replace(large_sheet(), farm=NAMES[2], variety=NAMES[0])
    for form in SHEET_FORMS:
        write_sheet(sheet, tmp_path / f"sheet.{form}", form)
    _no_formula_in(tmp_path / "sheet.csv")
    book = load_workbook(tmp_path / "sheet.xlsx")
    cells = [cell for one in book for row in one.iter_rows() for cell in row]
    assert not [cell.value for cell in cells if cell.data_type == "f" and "HYPER" in cell.value]
    assert json.loads((tmp_path / "sheet.json").read_text(encoding="utf-8"))["farm"] == NAMES[2]
    assert "root:" not in PdfReader(tmp_path / "sheet.pdf").pages[0].extract_text()


def test_a_map_gives_the_same_names_back(tmp_path: Path) -> None:
    blocks = []
    for number, name in enumerate(NAMES):
        tree = RegisteredTree(
            tree=TreeId(name, 1, 1), latitude_deg=47.0 + number / 100, longitude_deg=9.0
        )
        block = replace(records.block(), block_id=name)
        blocks.append(MappedBlock(block=block, register=(tree,), samples={}))
    write_geojson(blocks, tmp_path / "map.geojson", farm=NAMES[2], made_on=ON)
    document = json.loads((tmp_path / "map.geojson").read_text(encoding="utf-8"))
    told = {feature["properties"].get("block") for feature in document["features"]}
    assert set(NAMES) <= told

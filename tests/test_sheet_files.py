"""The files of a sales sheet, read back by other libraries: the same numbers as the record."""

from __future__ import annotations

import json
import re
import zipfile
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import jsonschema
import openpyxl
import pandas as pd
import pypdf
import pytest

from fruitvision.domain import GradeForecast
from fruitvision.errors import SettingsError, StoreError
from fruitvision.export.sheet_table import SCHEMA_FILE, sheet_document
from fruitvision.export.sheet_words import file_stem
from fruitvision.export.sheet_workbook import HEAD_ROW
from fruitvision.export.sheets import SHEET_FORMS, write_sheet, write_sheets
from fruitvision.forecast.summary import ALL
from fruitvision.sheet import SalesSheet, for_buyer
from fruitvision.unit_system import US
from tests.farm_records import about
from tests.sheet_records import BLOCKS, CLASSES, large_sheet

FORMULAS = ["=1+1", "+49 40", "-Block", "@SUM(A1)", " =HYPERLINK(1)", "＝3"]
# What is rounded in the CSV, half of its last digit.
RANGE, MEAN = 0.051, 0.00051


@pytest.fixture(scope="module")
def sheet() -> SalesSheet:
    grades = (
        GradeForecast(grade="fancy", size_class="80", cartons=about(900.0)),
        GradeForecast(grade="fancy", size_class=ALL, cartons=about(9000.0)),
    )
    return replace(large_sheet(), grades=grades, rests_on=f"Rests on 12 trees of {BLOCKS[0]}.")


@pytest.fixture(scope="module")
def folder(sheet: SalesSheet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sheets")
    write_sheets([sheet], folder)
    write_sheets([for_buyer(sheet, BLOCKS)], folder)
    return folder


def csv_of(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, keep_default_na=True)


# ---------------------------------------------------------------- CSV


def test_the_table_holds_every_line_with_its_numbers(folder: Path, sheet: SalesSheet) -> None:
    table = csv_of(folder / "Gala-sales-sheet-no7.csv")
    assert len(table) == len(sheet.lines) == 9 * 13
    for row, line in zip(table.to_dict("records"), sheet.lines, strict=True):
        assert row["week"] == ("all" if line.week is None else f"{line.week:%G-W%V}")
        assert line.week is None or row["monday"] == line.week.isoformat()
        assert str(row["size_class"]) == line.size_class
        assert row["cartons_p10"] == pytest.approx(line.cartons.p10, abs=RANGE)
        assert row["cartons_p50"] == pytest.approx(line.cartons.p50, abs=RANGE)
        assert row["cartons_p90"] == pytest.approx(line.cartons.p90, abs=RANGE)
        assert row["cartons_p10"] <= row["cartons_p50"] <= row["cartons_p90"]
        assert row["safe_cartons"] == line.safe_cartons
        assert row["mean_cartons"] == pytest.approx(line.mean_cartons, abs=MEAN)
        assert row["change_cartons"] == pytest.approx(line.change_cartons, abs=MEAN)
    assert set(table["note"]) == {"forecast, not an offer"}
    assert set(table["frozen_by"]) == {"Ines"}
    assert set(table["stage"]) == {"17 days before the pick"}
    assert table["why"][0].startswith("size -")


def test_class_means_of_the_table_add_up_to_the_variety(folder: Path) -> None:
    table = csv_of(folder / "Gala-sales-sheet-no7.csv")
    cells = table[(table["week"] != "all") & (table["size_class"] != "all")]
    whole = table[(table["week"] == "all") & (table["size_class"] == "all")].iloc[0]
    for column in ("mean_cartons", "change_cartons"):
        assert cells[column].sum() == pytest.approx(whole[column], abs=0.1)
        for week, of_week in cells.groupby("week"):
            line = table[(table["week"] == week) & (table["size_class"] == "all")].iloc[0]
            assert of_week[column].sum() == pytest.approx(line[column], abs=0.01)


# ---------------------------------------------------------------- JSON


def schema() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    return found


def checker() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(
        schema(), format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )


def test_the_schema_is_a_schema_that_describes_every_key() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())
    described = schema()["properties"]
    assert set(described) == set(schema()["required"])
    unsaid = [key for key, value in described.items() if key not in said() and not words_of(value)]
    assert unsaid == []


def said() -> set[str]:
    """Keys whose name says it all."""
    return {"schema_version", "note", "cautions", "variety", "for_buyer"}


def words_of(value: dict[str, Any]) -> str:
    return str(value.get("description", ""))


@pytest.mark.parametrize("end", ["", "-buyer"])
def test_the_document_keeps_to_the_schema(folder: Path, end: str) -> None:
    document = json.loads((folder / f"Gala-sales-sheet-no7{end}.json").read_text(encoding="utf-8"))
    checker().validate(document)
    assert (folder / "sales_sheet.schema.json").read_bytes() == SCHEMA_FILE.read_bytes()


@pytest.mark.parametrize(
    "change",
    [
        {"schema_version": 1},
        {"note": "an offer"},
        {"blocks": ["Hill"]},
        {"lines": []},
        {"promise_quantile": 1.0},
        {"mondays": ["31 August"]},
        {"for_buyer": True},
    ],
    ids=str,
)
def test_the_schema_refuses_what_is_no_sheet(sheet: SalesSheet, change: dict[str, Any]) -> None:
    checker().validate(sheet_document(sheet))
    with pytest.raises(jsonschema.ValidationError):
        checker().validate({**sheet_document(sheet), **change})


def test_the_document_holds_every_number_unrounded(folder: Path, sheet: SalesSheet) -> None:
    document = json.loads((folder / "Gala-sales-sheet-no7.json").read_text(encoding="utf-8"))
    for found, line in zip(document["lines"], sheet.lines, strict=True):
        cartons = found["cartons"]
        assert (cartons["p10"], cartons["p50"], cartons["p90"]) == (
            line.cartons.p10,
            line.cartons.p50,
            line.cartons.p90,
        )
        assert found["mean_cartons"] == line.mean_cartons
        assert found["safe_cartons"] == line.safe_cartons
        assert found["monday"] == (None if line.week is None else line.week.isoformat())
    record = {"inside": 14, "of": 18, "stage": "15 to 30 days before the pick"}
    assert document["track_record"] == record
    assert document["classes"] == list(CLASSES)


# ---------------------------------------------------------------- workbook


def workbook_table(path: Path) -> pd.DataFrame:
    return pd.read_excel(path, sheet_name="Sales sheet", header=HEAD_ROW, dtype={"Class": str})


def test_the_workbook_holds_real_numbers_and_days(folder: Path, sheet: SalesSheet) -> None:
    table = workbook_table(folder / "Gala-sales-sheet-no7.xlsx")
    assert list(table.columns) == [
        "Week", "Monday", "Class", "Safe, P10 (cartons)", "P10 (cartons)", "P50 (cartons)",
        "P90 (cartons)", "Mean (cartons)", "Change (cartons)", "Causes (cartons each)",
    ]  # fmt: skip
    for row, line in zip(table.to_dict("records"), sheet.lines, strict=True):
        assert row["Class"] == line.size_class
        numbers = [row[f"{p} (cartons)"] for p in ("P10", "P50", "P90", "Mean", "Change")]
        assert numbers == pytest.approx(
            [line.cartons.p10, line.cartons.p50, line.cartons.p90, line.mean_cartons,
             line.change_cartons]
        )  # fmt: skip
        assert row["Safe, P10 (cartons)"] == line.safe_cartons
        assert line.week is None or row["Monday"].date() == line.week
    assert table["Week"][0] == "2026-W36"
    assert table["Week"].iloc[-1] == "all"


def test_the_workbook_is_frozen_and_prints_one_page_wide(folder: Path) -> None:
    book = openpyxl.load_workbook(folder / "Gala-sales-sheet-no7.xlsx")
    assert book.sheetnames == ["Sales sheet", "Charts", "Grades", "About"]
    page = book["Sales sheet"]
    assert page.freeze_panes == f"D{HEAD_ROW + 2}"
    assert page.print_title_rows == f"${HEAD_ROW + 1}:${HEAD_ROW + 1}"
    for one in book:
        assert one.sheet_properties.pageSetUpPr.fitToPage
        assert (one.page_setup.fitToWidth, one.page_setup.fitToHeight) == (None, 0)
        assert one.oddFooter.left.text == "forecast, not an offer"
    assert page["A2"].value.startswith("Forecast, not an offer.")
    assert "frozen by Ines" in page["A3"].value


def test_the_charts_draw_the_numbers_of_the_table_beside_them(
    folder: Path, sheet: SalesSheet
) -> None:
    path = folder / "Gala-sales-sheet-no7.xlsx"
    page = openpyxl.load_workbook(path)["Charts"]
    with zipfile.ZipFile(path) as archive:
        charts = [archive.read(f"xl/charts/chart{number}.xml").decode() for number in (1, 2)]
    ends = ("cat", "val", "plus", "minus")
    for chart, rows in zip(charts, (sheet.weeks, sheet.classes), strict=True):
        ranges = {
            end: re.search(rf"<c:{end}>.*?<c:f>Charts!(.*?)</c:f>", chart, re.DOTALL)
            for end in ends
        }
        names, p50, plus, minus = (
            [cell.value for (cell,) in page[str(ranges[end][1]).replace("$", "")]]  # type: ignore[index]
            for end in ends
        )
        lines = [
            sheet.line(row) if isinstance(row, date) else sheet.line(None, row) for row in rows
        ]
        assert names == [f"{row:%G-W%V}" if isinstance(row, date) else row for row in rows]
        assert p50 == pytest.approx([line.cartons.p50 for line in lines])
        assert plus == pytest.approx([line.cartons.p90 - line.cartons.p50 for line in lines])
        assert minus == pytest.approx([line.cartons.p50 - line.cartons.p10 for line in lines])


def test_without_grades_there_is_no_sheet_of_them_and_a_first_look_has_one_chart(
    tmp_path: Path,
) -> None:
    bare = large_sheet(classes=(), weeks=3)
    write_sheet(bare, tmp_path / "s.xlsx", "xlsx")
    assert openpyxl.load_workbook(tmp_path / "s.xlsx").sheetnames == [
        "Sales sheet",
        "Charts",
        "About",
    ]
    with zipfile.ZipFile(tmp_path / "s.xlsx") as archive:
        assert sum(name.startswith("xl/charts/chart") for name in archive.namelist()) == 1


@pytest.mark.parametrize("name", FORMULAS)
def test_text_that_looks_like_a_formula_stays_text(tmp_path: Path, name: str) -> None:
    named = large_sheet(classes=(name, f"{name}2"), weeks=2, variety=name)
    named = replace(
        named, farm=name, size_table=name, version=replace(named.version, frozen_by=name, note=name)
    )
    write_sheet(named, tmp_path / "s.xlsx", "xlsx")
    book = openpyxl.load_workbook(tmp_path / "s.xlsx")
    cells = [cell for page in book for row in page.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f" or cell.hyperlink]
    assert book["Sales sheet"].cell(HEAD_ROW + 2, 3).value == name
    write_sheet(named, tmp_path / "s.csv", "csv")
    table = pd.read_csv(tmp_path / "s.csv", dtype=str)
    assert table["size_class"][0] == table["variety"][0] == table["farm"][0] == f"'{name}"


# ---------------------------------------------------------------- the page


def pages_of(path: Path) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(path).pages]


def words_on(path: Path) -> str:
    (page,) = pages_of(path)
    return " ".join(page.split())


def test_twelve_classes_and_eight_weeks_are_one_page_with_every_range(
    folder: Path, sheet: SalesSheet
) -> None:
    words = words_on(folder / "Gala-sales-sheet-no7.pdf")
    for line in sheet.lines:
        cartons = line.cartons
        assert f"{cartons.p50:,.0f}" in words
        assert f"{cartons.p10:,.0f}–{cartons.p90:,.0f}" in words
    for part in (
        "Gala", "Larkhill", "FORECAST, NOT AN OFFER", "17 days before the pick", "14 of 18",
        "Track record: inside P10 to P90", "told 15 to 30 days before the pick",
        "pick 3 Sep to 22 Oct 2026 ± 3 days", "Forecast no. 7 of 17 Aug 2026 (2026-08-17-0a1b2c3d)",
        "frozen by Ines on 17 Aug 2026 06:30 UTC", "against forecast no. 5 of 10 Aug 2026",
        "Workbook only means and reasons class by class", "size -8,185", "cartons of 19.05 kg",
        "fancy 9,000 (8,100–9,900)", "Week 36 Mon 31 Aug",
    ):  # fmt: skip
        assert part in words, part


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize(
    ("classes", "weeks"),
    [(0, 1), (0, 6), (1, 1), (4, 3), (12, 1), (12, 5), (14, 10), (30, 40)],
    ids=str,
)
def test_any_sheet_is_one_page_of_its_paper_and_names_what_it_leaves_out(
    tmp_path: Path, paper: str, classes: int, weeks: int
) -> None:
    names = tuple(str(50 + number) for number in range(classes))
    long = large_sheet(classes=names, weeks=weeks)
    write_sheet(long, tmp_path / "s.pdf", "pdf", paper=paper)
    (page,) = pypdf.PdfReader(tmp_path / "s.pdf").pages
    assert sorted(map(float, page.mediabox[2:])) == pytest.approx(
        [595.28, 841.89] if paper == "A4" else [612, 792], abs=0.01
    )
    words = " ".join(page.extract_text().split())
    assert "FORECAST, NOT AN OFFER" in words
    assert f"{long.whole.cartons.p50:,.0f}" in words
    left_classes = [name for name in names if f"class {name}" in words]
    if classes == 30:
        # 16 of 30 classes are left out, those that bring least: eight named, eight counted.
        assert left_classes == [str(number) for number in range(50, 58)]
        assert "8 more, week 2026-W36" in words
        return
    assert left_classes == []
    for week in long.weeks:
        shown = f"Week {week:%V}" in words or f"Week {week:%G-W%V}" in words
        shown |= f"{week:%G-W%V}, {week:%d %b}" in words
        assert shown != (f"week {week:%G-W%V}" in words)


def test_nothing_of_a_page_lies_outside_of_it(tmp_path: Path) -> None:
    """Long names of variety, farm, author and table are set smaller, then cut."""
    named = large_sheet(variety="Gala " * 40)
    named = replace(
        named,
        farm="Larkhill and its neighbours " * 9,
        size_table="a table " * 60,
        version=replace(named.version, frozen_by="Ines and Paul " * 20),
    )
    for one, name in ((named, "grid"), (replace(named, weeks=named.weeks[:1]), "lines")):
        write_sheet(one, tmp_path / f"{name}.pdf", "pdf")
        (page,) = pypdf.PdfReader(tmp_path / f"{name}.pdf").pages
        width, height = map(float, page.mediabox[2:])
        found: list[tuple[float, float]] = []

        def note(text: str, cm: Any, tm: Any, font: Any, size: Any, found: Any = found) -> None:
            if text.strip():
                found.append((tm[4], tm[5]))

        page.extract_text(visitor_text=note)
        assert len(found) > 30
        assert all(20 <= x <= width - 20 and 20 <= y <= height - 20 for x, y in found)


def test_another_quantile_than_p10_stands_in_every_cell(tmp_path: Path) -> None:
    bold = replace(large_sheet(weeks=6), promise_quantile=0.2)
    write_sheet(bold, tmp_path / "s.pdf", "pdf")
    words = words_on(tmp_path / "s.pdf")
    for week in bold.weeks:
        line = bold.line(week, "80")
        assert f"{line.safe_cartons:,}; {line.cartons.p10:,.0f}–{line.cartons.p90:,.0f}" in words
    assert "less comes in with a chance of 20 %" in words


def test_what_is_not_frozen_says_so_loudly_in_every_form(tmp_path: Path) -> None:
    loose = large_sheet(classes=("80",), weeks=1)
    loose = replace(loose, version=replace(loose.version, frozen_at=None, frozen_by=""))
    write_sheets([loose], tmp_path)
    stem = tmp_path / file_stem(loose)
    assert "NOT FROZEN: may change until somebody freezes it" in words_on(stem.with_suffix(".pdf"))
    page = openpyxl.load_workbook(stem.with_suffix(".xlsx"))["Sales sheet"]
    assert "NOT FROZEN" in page["A3"].value
    assert json.loads(stem.with_suffix(".json").read_text())["version"]["frozen_at"] is None
    assert csv_of(stem.with_suffix(".csv"))["frozen_at"].isna().all()


def test_a_buyer_reads_that_the_numbers_are_not_final(tmp_path: Path) -> None:
    loose = large_sheet(weeks=2)
    loose = replace(loose, version=replace(loose.version, frozen_at=None, frozen_by=""))
    copy = for_buyer(loose, BLOCKS)
    write_sheets([copy], tmp_path)
    stem = tmp_path / file_stem(copy)
    page = openpyxl.load_workbook(stem.with_suffix(".xlsx"))["Sales sheet"]
    for told in (words_on(stem.with_suffix(".pdf")), page["A3"].value):
        assert "NOT FINAL" in told
        assert "freezes" not in told


@pytest.mark.parametrize("buyer", [False, True])
def test_every_form_of_a_first_look_says_that_nothing_is_promised(
    tmp_path: Path, buyer: bool
) -> None:
    sheet = replace(large_sheet(weeks=1), first_look=True)
    copy = for_buyer(sheet, BLOCKS) if buyer else sheet
    write_sheets([copy], tmp_path)
    stem = tmp_path / file_stem(copy)
    words = "too few trees were photographed, so nothing is promised"
    page = openpyxl.load_workbook(stem.with_suffix(".xlsx"))["Sales sheet"]
    assert words in page["A5"].value
    assert csv_of(stem.with_suffix(".csv"))["no_promise"].str.contains(words).all()
    assert words in words_on(stem.with_suffix(".pdf"))
    assert json.loads(stem.with_suffix(".json").read_text())["first_look"] is True
    firm = large_sheet(weeks=1)
    write_sheets([firm], tmp_path / "firm", ["csv"])
    assert csv_of(tmp_path / "firm" / f"{file_stem(firm)}.csv")["no_promise"].isna().all()


@pytest.mark.parametrize("buyer", [False, True])
def test_every_form_says_that_the_pick_was_moved_since(tmp_path: Path, buyer: bool) -> None:
    sheet = replace(large_sheet(weeks=1), moved=1, moved_blocks=BLOCKS[:1])
    copy = for_buyer(sheet, BLOCKS) if buyer else sheet
    write_sheets([copy], tmp_path)
    stem = tmp_path / file_stem(copy)
    words = "The pick is planned otherwise than in this forecast" + (
        "." if buyer else f" ({BLOCKS[0]})."
    )
    page = openpyxl.load_workbook(stem.with_suffix(".xlsx"))["Sales sheet"]
    assert words in page["A5"].value
    assert csv_of(stem.with_suffix(".csv"))["pick_moved"].str.contains(words, regex=False).all()
    assert words in words_on(stem.with_suffix(".pdf"))
    document = json.loads(stem.with_suffix(".json").read_text())
    assert (document["moved"], document["moved_blocks"]) == (1, [] if buyer else [BLOCKS[0]])
    checker().validate(document)
    write_sheets([large_sheet(weeks=1)], tmp_path / "not", ["csv", "pdf"])
    (table, paper) = sorted((tmp_path / "not").iterdir())
    assert csv_of(table)["pick_moved"].isna().all()
    assert "pick was moved" not in words_on(paper)


def test_a_letter_that_the_page_lacks_loses_its_accent_only(tmp_path: Path) -> None:
    named = replace(large_sheet(weeks=1, variety="Šampion Větrný"), farm="Höhenweg é 苹果")
    write_sheet(named, tmp_path / "s.pdf", "pdf")
    words = words_on(tmp_path / "s.pdf")
    assert "Šampion Vetrný" in words
    assert "Höhenweg é ??" in words


# ---------------------------------------------------------------- the buyer's copy


def everything_in(path: Path) -> str:
    """All that a file holds, what is not shown too: parts of a workbook, streams and data of a
    PDF."""
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as archive:
            names = "\n".join(archive.namelist())
            return names + "\n".join(
                archive.read(one).decode("latin-1") for one in archive.namelist()
            )
    text = path.read_bytes().decode("latin-1")
    if path.suffix == ".pdf":
        reader = pypdf.PdfReader(path)
        text += str(reader.metadata) + "".join(page.extract_text() for page in reader.pages)
        text += "".join(page.get_contents().get_data().decode("latin-1") for page in reader.pages)  # type: ignore[union-attr]
    return text


@pytest.mark.parametrize("form", SHEET_FORMS)
def test_no_block_is_named_anywhere_in_a_buyers_file(tmp_path: Path, form: str) -> None:
    sheet = large_sheet()
    telling = replace(
        sheet,
        size_table=f"{BLOCKS[1]} sizes",
        rests_on=f"Rests on 12 trees of {BLOCKS[0]}.",
        version=replace(sheet.version, note=f"{BLOCKS[2]} first", frozen_by=f"office {BLOCKS[3]}"),
        earlier=replace(sheet.version, note=f"without {BLOCKS[0]}", number=5),
        left_out=2,
        left_out_blocks=BLOCKS[1:3],
        moved=1,
        moved_blocks=BLOCKS[3:],
    )
    (of_farm,) = write_sheets([telling], tmp_path, [form])[:1]
    # The search finds the names where they are.
    assert [name for name in BLOCKS if name in everything_in(of_farm)]
    (of_buyer,) = write_sheets([for_buyer(telling, BLOCKS)], tmp_path, [form])[:1]
    text = everything_in(of_buyer).casefold()
    assert [name for name in BLOCKS if name.casefold() in text] == []
    assert [name for name in BLOCKS if name.casefold() in of_buyer.name.casefold()] == []
    assert "forecast, not an offer" in text
    # That two are not in it is told all the same.
    told = {"csv": ",2,", "json": '"left_out": 2'}.get(form, "2 blocks are not in these numbers")
    assert told in text
    assert str(tmp_path) not in everything_in(of_buyer)


def test_a_buyers_copy_says_date_version_and_range_and_nothing_is_safe(
    folder: Path, sheet: SalesSheet
) -> None:
    words = words_on(folder / "Gala-sales-sheet-no7-buyer.pdf")
    for part in (
        "Gala", "Larkhill", "FORECAST, NOT AN OFFER", "Forecast no. 7 of 17 Aug 2026",
        "130,963 to 204,630", "17 days before the pick",
    ):  # fmt: skip
        assert part in words, part
    assert "afe to promise" not in words
    table = workbook_table(folder / "Gala-sales-sheet-no7-buyer.xlsx")
    assert not [column for column in table.columns if column.startswith("Safe")]
    assert "safe_cartons" not in csv_of(folder / "Gala-sales-sheet-no7-buyer.csv").columns


@pytest.mark.parametrize("end", ["", "-buyer"])
def test_no_file_names_an_author_in_what_is_not_shown(folder: Path, end: str) -> None:
    stem = f"Gala-sales-sheet-no7{end}"
    told = openpyxl.load_workbook(folder / f"{stem}.xlsx").properties
    assert [told.creator, told.lastModifiedBy, told.keywords, told.description] == [None] * 4
    metadata = pypdf.PdfReader(folder / f"{stem}.pdf").metadata
    assert metadata is not None
    assert metadata.author == ""
    assert (metadata.creator, metadata.producer) == ("fruitvision", "fruitvision")
    assert "Ines" not in str(metadata)


# ---------------------------------------------------------------- names, forms


def test_two_varieties_never_share_a_file(tmp_path: Path) -> None:
    names = ("Gala/1", "gala 1", "Gala_1", "../..", "")
    sheets = [large_sheet(classes=(), weeks=1, variety=name) for name in names]
    written = write_sheets(sheets, tmp_path, ["csv"])
    assert [path.name for path in written] == [
        "Gala_1-sales-sheet-no7.csv",
        "gala_1-2-sales-sheet-no7.csv",
        "Gala_1-3-sales-sheet-no7.csv",
        "variety-sales-sheet-no7.csv",
        "variety-2-sales-sheet-no7.csv",
    ]
    assert {path.parent for path in written} == {tmp_path}


@pytest.mark.parametrize("form", SHEET_FORMS)
def test_the_same_sheet_gives_the_same_file(tmp_path: Path, sheet: SalesSheet, form: str) -> None:
    write_sheet(sheet, tmp_path / "a", form)
    write_sheet(sheet, tmp_path / "b", form)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


@pytest.mark.parametrize("form", SHEET_FORMS)
def test_a_place_that_can_not_be_written_is_refused(tmp_path: Path, form: str) -> None:
    (tmp_path / "sheet").mkdir()
    with pytest.raises(StoreError, match=r"Can't write .*sheet: .*another folder"):
        write_sheet(large_sheet(weeks=1), tmp_path / "sheet", form)


def test_an_unknown_form_or_paper_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no form 'docx'"):
        write_sheets([large_sheet()], tmp_path, ["docx"])
    with pytest.raises(SettingsError, match="No form of the sheet is named"):
        write_sheets([large_sheet()], tmp_path, [])
    with pytest.raises(SettingsError, match="Unknown paper 'A5'"):
        write_sheets([large_sheet()], tmp_path, paper="A5")
    assert list(tmp_path.iterdir()) == []


def test_pounds_for_those_who_use_them(tmp_path: Path) -> None:
    write_sheets([large_sheet(weeks=1)], tmp_path, units=US)
    stem = tmp_path / "Gala-sales-sheet-no7"
    assert "cartons of 42 lb" in words_on(stem.with_suffix(".pdf"))
    assert csv_of(stem.with_suffix(".csv"))["carton_lb"][0] == pytest.approx(42.0, abs=0.01)
    assert json.loads(stem.with_suffix(".json").read_text())["carton_kg"] == 19.05

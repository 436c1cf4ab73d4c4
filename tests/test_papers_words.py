"""The look at a table as the command line prints it: what is asked, and the answer to give."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from fruitvision.domain import HandCount, OrderLine, TreeId
from fruitvision.papers.answers import Answers
from fruitvision.pipeline.papers import look_at, names_said, take_in
from fruitvision.report.papers import name_lines, preview_lines
from fruitvision.store import FarmStore, open_farm
from tests.paper_files import fill, paper, workbook

CALIPERS = "block,row,position,measured_on,diameter_mm\n"


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm") as store:
        fill(store)
        yield store


def told(path: Path, farm: FarmStore, answers: Answers | None = None) -> list[str]:
    return preview_lines(look_at(path, farm, answers or Answers()))


def test_a_sheet_then_a_kind_is_asked_for(farm: FarmStore, tmp_path: Path) -> None:
    rows: list[list[object]] = [["lot", "block", "bins", "row", "tree"], ["L1", "Mill", 2, 1, 1]]
    path = workbook(tmp_path, {"One": [["x", "y"], [1, 2]], "Two": rows})
    assert told(path, farm) == [
        "paper.xlsx: nothing is changed yet.",
        "? Which sheet? --sheet NAME, one of:",
        "    One",
        "    Two",
    ]
    lines = told(path, farm, Answers(sheet="One"))
    assert lines[1] == "Header on line 1 of sheet One, 1 row below it."
    assert lines[-1].startswith("? What is this table? --kind KIND, likely: ")
    chosen = told(path, farm, Answers(sheet="Two", kind="lots"))
    assert "Taken as: lots (as you say)." in chosen


def test_hidden_rows_merged_cells_and_formulas_are_told(farm: FarmStore, tmp_path: Path) -> None:
    from openpyxl import load_workbook

    rows: list[list[object]] = [
        ["ticket", "block", "picked_on", "bins"],
        ["T1", "Fuji Slope", date(2026, 9, 3), 2],
        ["T2", "Fuji Slope", date(2026, 9, 4), "=1+1"],
    ]
    path = workbook(tmp_path, {"Picks": rows})
    book = load_workbook(path)
    book["Picks"].row_dimensions[2].hidden = True
    book["Picks"].merge_cells("F1:G1")
    book.save(path)
    lines = told(path, farm)
    assert "! Rows that the sheet hides are read too: 2." in lines
    assert any(line.startswith("! 1 merged cell: ") for line in lines)
    assert any(line.startswith("! 1 formula: ") for line in lines)


def test_columns_without_a_unit_and_columns_that_lack_are_asked_with_their_answer(
    farm: FarmStore, tmp_path: Path
) -> None:
    path = paper(tmp_path, "Block;Variety;Trees;Area\nMill;Gala;800;2\n")
    lines = told(path, farm)
    assert "    Area -> asked (such as 2)" in lines
    asked = "? Area has no unit. --column 'Area=area_ha' or --column 'Area=area_acres'"
    assert asked in lines
    # A column of the farm's own words that nothing is made of.
    path = paper(tmp_path, "block,row,tree,diameter_mm,notes\nFuji Slope,1,1,70,wet\n")
    lines = told(path, farm, Answers(kind="calipers"))
    assert any(line.startswith("    notes -> not used") for line in lines)
    assert "? Which column is measured_on? --column 'HEADER=measured_on'" in lines


def test_inches_are_asked_about_with_what_they_become(farm: FarmStore, tmp_path: Path) -> None:
    text = f"{CALIPERS}Fuji Slope,1,1,2026-07-22,71.2\nFuji Slope,1,2,2026-07-22,2.79\n"
    path = paper(tmp_path, text)
    asked = [line for line in told(path, farm) if line.startswith("? Inches")]
    assert asked == [
        "? Inches among millimetres? --inches or --no-inches; until then left out. "
        "line 3: 2.79 in = 70.9 mm"
    ]
    yes = told(path, farm, Answers(inches=True))
    assert not [line for line in yes if line.startswith("? Inches")]
    assert [line for line in yes if "2.79 goes in as 70.866" in line]


def test_counts_that_look_like_slips_and_new_values_are_told(
    farm: FarmStore, tmp_path: Path
) -> None:
    farm.save_hand_counts(
        HandCount(tree=TreeId("Fuji Slope", 1, n), fruit_count=80, counted_on=date(2026, 7, 22))
        for n in range(1, 7)
    )
    text = (
        "block,row,position,fruit_count,counted_on\n"
        "Fuji Slope,1,1,90,2026-07-22\nFuji Slope,1,2,9000,2026-07-22\n"
    )
    lines = told(paper(tmp_path, text), farm)
    (odd,) = (line for line in lines if "a slip?" in line)
    assert odd.startswith("? Line 3: 9,000 fruit on ")
    assert odd.endswith("--odd 3 if they are meant; else it stays out.")
    assert any(line.endswith("fruit_count 80 -> 90") for line in lines)
    assert any(line.startswith("Would take in 1 row: 0 new, 1 changed, ") for line in lines)


def test_what_goes_is_named_up_to_a_limit(farm: FarmStore, tmp_path: Path) -> None:
    farm.save_order_book(
        OrderLine(
            customer=f"C{n}", variety="Gala", classes="all", week=date(2026, 9, 14), cartons=10
        )
        for n in range(30)
    )
    path = paper(tmp_path, "customer,variety,classes,week,cartons\nNew,Gala,88,2026-W38,5\n")
    goes = [line for line in told(path, farm) if line.startswith("    goes: ")]
    assert goes[0].startswith("    goes: C")
    assert goes[-1] == f"    goes: {30 - (len(goes) - 1)} more"


def test_what_was_said_of_columns_is_listed(farm: FarmStore, tmp_path: Path) -> None:
    path = paper(tmp_path, "Block;Reihe;Tree;Date;Diam mm\nFuji Slope;1;2;2026-07-22;70\n")
    answers = Answers(kind="calipers", columns={"Reihe": "row"})
    take_in(path, farm, answers, who="Ana")
    lines = name_lines(names_said(farm))
    assert any("Reihe = row" in line and ", Ana)" in line for line in lines)

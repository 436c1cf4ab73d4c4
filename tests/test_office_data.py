"""Register, gaps, pick plans and weighed fruit as the office writes them; CSV and XLSX."""

from __future__ import annotations

import zipfile
from datetime import date, datetime
from pathlib import Path

import pytest
from openpyxl import Workbook

from fruitvision.domain import Pick, RegisteredTree, TreeId, TreeKind, VisitedPlace, WeighedFruit
from fruitvision.errors import FieldDataError
from fruitvision.field_data import read_blocks
from fruitvision.office_data import read_gaps, read_picks, read_register, read_weighed


def write(folder: Path, *lines: str) -> Path:
    path = folder / "table.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def reasons(refused) -> list[tuple[int, str]]:
    return [(row.line, row.what) for row in refused]


# ---------------------------------------------------------------- register


def test_a_register_says_what_stands_where(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "position,row,block,stratum,kind,bearing_share",
        "1,1,Mill,low ground,,",
        '2,1,Mill,low ground,Replant,"0,4"',
        "3,1,Mill,,missing,",
        "4,1,Mill,,pollinizer,0",
    )
    found = read_register(path)
    assert found.refused == ()
    assert found.rows == (
        RegisteredTree(tree=TreeId("Mill", 1, 1), stratum="low ground"),
        RegisteredTree(
            tree=TreeId("Mill", 1, 2),
            kind=TreeKind.REPLANT,
            stratum="low ground",
            bearing_share=0.4,
        ),
        RegisteredTree(tree=TreeId("Mill", 1, 3), kind=TreeKind.MISSING, bearing_share=0.0),
        RegisteredTree(tree=TreeId("Mill", 1, 4), kind=TreeKind.POLLINIZER, bearing_share=0.0),
    )


def test_a_row_of_the_register_that_makes_no_sense_is_refused_and_the_rest_goes_on(
    tmp_path: Path,
) -> None:
    path = write(
        tmp_path,
        "block,row,position,kind,bearing_share",
        "Mill,1,1,dead,",
        "Mill,1,2,bearing,1.4",
        "Mill,1,3,missing,0.5",
        "Mill,0,4,bearing,1",
        "Mill,1,5,bearing,1",
        "Mill,1,5,missing,",
    )
    found = read_register(path)
    assert found.rows == ()
    said = dict(reasons(found.refused))
    assert said[2] == "kind is 'dead'."
    assert said[3] == "bearing_share is 1.4."
    assert said[4] == "A missing position has a bearing_share of 0.5."
    assert "row" in said[5]
    assert said[6] == said[7] == "Mill row 1 tree 5 stands on lines 6 and 7."


def test_a_workbook_is_read_as_it_was_seen(tmp_path: Path) -> None:
    book = Workbook()
    sheet = book.active
    sheet.append(["Block", "Variety", "Positions", "Pick date", "Row spacing m", "Missing"])
    sheet.append(["Mill", "Gala", 1200.0, datetime(2026, 9, 3), 3.5, None])  # noqa: DTZ001
    sheet.append([None] * 6)
    sheet.append(["=1+1", "Fuji", "3,000", date(2026, 10, 2), None, 12])
    book.save(tmp_path / "blocks.xlsx")
    found = read_blocks(tmp_path / "blocks.xlsx")
    assert (found.rows[0].block_id, found.rows[0].positions) == ("Mill", 1200)
    assert found.rows[0].pick_date == date(2026, 9, 3)
    assert found.rows[0].row_spacing_m == 3.5
    # A formula that no program has worked out yet has no value that anybody saw.
    assert reasons(found.refused) == [(4, "block is empty.")]


def test_an_archive_that_is_no_workbook_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w") as archive:
        archive.writestr("photo.jpg", b"1234")
    with pytest.raises(FieldDataError, match="an archive, no table"):
        read_register(tmp_path / "a.xlsx")


def test_a_workbook_that_unpacks_without_end_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 201_000_000)
    assert (tmp_path / "a.xlsx").stat().st_size < 1_000_000
    with pytest.raises(FieldDataError, match="unpacks to more than 200 MB"):
        read_register(tmp_path / "a.xlsx")


def test_a_damaged_workbook_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w") as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"<no")
    with pytest.raises(FieldDataError, match="no workbook that can be read"):
        read_register(tmp_path / "a.xlsx")


# ---------------------------------------------------------------- gaps, weighed fruit


def test_gaps_are_what_the_walk_found(tmp_path: Path) -> None:
    path = write(
        tmp_path, "block,row,position,visited_on,found", "Mill,3,7,2026-08-12,missing", "Mill,3,8,,"
    )
    found = read_gaps(path)
    assert found.rows == (
        VisitedPlace(
            tree=TreeId("Mill", 3, 7), visited_on=date(2026, 8, 12), found=TreeKind.MISSING
        ),
    )
    assert [row.line for row in found.refused] == [3]


def test_weighed_fruit_need_a_mass_that_fruit_have(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "variety,weighed_on,diameter_mm,mass_g,fruit",
        "Gala,2026-08-30,71.2,138,1",
        "Gala,2026-08-30,71.2,1380,2",
        "Gala,2026-08-30,2.8,138,3",
    )
    found = read_weighed(path)
    assert found.rows == (
        WeighedFruit(
            variety="Gala", weighed_on=date(2026, 8, 30), diameter_mm=71.2, mass_g=138, fruit="1"
        ),
    )
    said = dict(reasons(found.refused))
    assert said[3] == "mass_g is 1380."
    assert "looks like inches" in said[4]


# ---------------------------------------------------------------- picks


def test_three_passes_make_one_plan_in_the_order_of_their_days(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "block,pick_date,share,date_error_days,left_share",
        "Mill,2026-09-10,0.33,3,0.05",
        "Mill,2026-09-03,0.35,3,0.05",
        "Mill,2026-09-17,0.32,3,0.05",
        "Hill,2026-09-05,,,",
    )
    found = read_picks(path)
    assert found.refused == ()
    mill = found.plans["Mill"]
    assert [pick.pick_date.day for pick in mill.picks] == [3, 10, 17]
    assert sum(pick.share for pick in mill.picks) == pytest.approx(1)
    assert mill.left_share == 0.05
    assert found.plans["Hill"].picks == (Pick(pick_date=date(2026, 9, 5)),)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (("Mill,2026-09-03,0.5,20", "Mill,2026-09-10,0.3,20"), "add up to 0.80"),
        (("Mill,2026-09-03,0.5,20", "Mill,2026-09-10,,20"), "not all have a share"),
        (("Mill,2026-09-03,0.5,20", "Mill,2026-09-10,0.5,25"), "different doubling_g"),
        (("Mill,2026-09-03,0.4,20", "Mill,2026-09-03,0.6,20"), "stands on lines 2 and 3"),
    ],
)
def test_passes_that_contradict_each_other_are_refused_together(
    tmp_path: Path, lines: tuple[str, str], words: str
) -> None:
    path = write(tmp_path, "block,pick_date,share,doubling_g", *lines, "Hill,2026-09-05,1,20")
    found = read_picks(path)
    assert list(found.plans) == ["Hill"]
    assert [row.line for row in found.refused] == [2, 3]
    assert all(words in row.what for row in found.refused)


def test_a_share_above_one_is_refused(tmp_path: Path) -> None:
    found = read_picks(write(tmp_path, "block,pick_date,share", "Mill,2026-09-03,35"))
    assert reasons(found.refused) == [(2, "share is 35.")]

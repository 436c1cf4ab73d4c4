"""CSV files from the field: what is understood, what is refused, and in which words."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from fruitvision.domain import Block, CaliperReading, HandCount, Protocol, TreeId
from fruitvision.errors import FieldDataError
from fruitvision.field_data import (
    check_blocks,
    read_blocks,
    read_calipers,
    read_hand_counts,
)
from fruitvision.walk_data import WalkPhoto, read_walk

BLOCKS_HEADER = "block,variety,positions,missing,pollinizers,pick_date\n"
WALK_HEADER = "photo,block,row,position,face\n"
COUNTS_HEADER = "block,row,position,fruit_count,counted_on,protocol\n"
CALIPERS_HEADER = "block,row,position,fruit,measured_on,diameter_mm\n"


@pytest.fixture
def file(tmp_path: Path):
    def write(content: str | bytes, name: str = "table.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return write


# ---------------------------------------------------------------- blocks


def test_blocks_are_read_with_their_dates_and_gaps(file) -> None:
    table = read_blocks(
        file(BLOCKS_HEADER + "Hill,Gala,3000,90,120,2026-09-01\nMill,Fuji,800,,,\n")
    )
    assert table.rows == (
        Block(
            block_id="Hill",
            variety="Gala",
            positions=3000,
            missing=90,
            pollinizers=120,
            pick_date=date(2026, 9, 1),
        ),
        Block(block_id="Mill", variety="Fuji", positions=800),
    )
    assert table.rows[0].bearing_trees == 2790
    assert table.lines == (2, 3)
    assert table.refused == ()


def test_targets_are_read_in_millimetres_or_inches_and_may_be_left_out(file) -> None:
    header = "block,variety,positions,target_fruit_per_tree,target_diameter_mm,target_diameter_in\n"
    table = read_blocks(
        file(f"{header}Hill,Gala,300,110,72.5,\nMill,Fuji,800,,,3\nRill,Fuji,90,,,\n")
    )
    targets = [(one.target_fruit_per_tree, one.target_diameter_mm) for one in table.rows]
    assert targets == [(110.0, 72.5), (None, pytest.approx(76.2)), (None, None)]


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ("0,72,", "target_fruit_per_tree is 0"),
        ("110,2.85,", "2.85 looks like inches (72.4 mm)"),
        ("110,,72", "target_diameter_in is 72, that is 1828.8 mm"),
        ("110,72,2.8", "Both target_diameter_mm (72) and target_diameter_in (2.8) are filled"),
    ],
)
def test_a_target_that_can_not_be_meant_is_refused(file, cells: str, words: str) -> None:
    header = "block,variety,positions,target_fruit_per_tree,target_diameter_mm,target_diameter_in\n"
    table = read_blocks(file(f"{header}Hill,Gala,300,{cells}\nMill,Fuji,800,,,\n"))
    assert [one.block_id for one in table.rows] == ["Mill"]
    assert words in table.refused[0].what


def test_a_trunk_is_read_as_area_girth_or_diameter_and_the_day_of_full_bloom(file) -> None:
    header = "block,variety,positions,trunk_area_cm2,trunk_girth_mm,trunk_diameter_in,full_bloom_on"
    table = read_blocks(
        file(
            f"{header}\nHill,Gala,300,11.4,,,2026-04-28\nMill,Fuji,800,,120,,\nRill,Fuji,90,,,1.5,\n"
            "Sill,Fuji,90,,,,\n"
        )
    )
    # 120² ÷ 4π = 1,145.9 mm²; UMass Extension, 2017: 1.5 in are 11.4 cm².
    trunks = [one.trunk_area_cm2 for one in table.rows]
    assert trunks[:3] == [pytest.approx(11.4), pytest.approx(11.459, abs=0.001),
                          pytest.approx(11.401, abs=0.001)]  # fmt: skip
    assert trunks[3] is None
    assert [one.full_bloom_on for one in table.rows] == [date(2026, 4, 28), None, None, None]


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ("11.4,120,", "Both trunk_area_cm2 and trunk_girth_mm are filled"),
        ("-2,,", "trunk_area_cm2 is -2"),
        (",12,", "trunk_girth_mm is 12: a trunk of 0.1146 cm² section"),
        ("4000,,", "trunk_area_cm2 is 4000: a trunk of 4,000 cm² section"),
        (",,28.04.2026", "full_bloom_on is '28.04.2026'"),
    ],
)
def test_a_trunk_or_a_bloom_that_can_not_be_meant_is_refused(file, cells: str, words: str) -> None:
    header = "block,variety,positions,trunk_area_cm2,trunk_girth_mm,full_bloom_on\n"
    table = read_blocks(file(f"{header}Hill,Gala,300,{cells}\nMill,Fuji,800,,,\n"))
    assert [one.block_id for one in table.rows] == ["Mill"]
    assert words in table.refused[0].what


def test_scenario_7_a_thousands_comma_in_the_number_of_trees_is_read(file) -> None:
    table = read_blocks(file('block,variety,positions\nHill,Gala,"3,000"\n'))
    assert table.rows[0].positions == 3000


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ("Hill,Gala,0,,,", "positions is 0"),
        ("Hill,Gala,-40,,,", "positions is -40"),
        ("Hill,Gala,40.5,,,", "positions is 40.5"),
        ("Hill,Gala,,,,", "positions is empty"),
        ("Hill,Gala,many,,,", "positions is 'many'"),
        ("Hill,Gala,40,-1,,", "missing is -1"),
        ("Hill,Gala,40,30,10,", "leave no bearing tree"),
        ("Hill,Gala,40,,,09/01/2026", "pick_date is '09/01/2026', which is ambiguous"),
        ("Hill,,40,,,", "variety is empty"),
        (",Gala,40,,,", "block is empty"),
    ],
)
def test_scenario_7_a_bad_block_is_refused_by_line_and_the_rest_goes_on(
    file, cells: str, words: str
) -> None:
    table = read_blocks(file(f"{BLOCKS_HEADER}{cells}\nMill,Fuji,800,,,\n"))
    assert [block.block_id for block in table.rows] == ["Mill"]
    (refused,) = table.refused
    assert (refused.file, refused.line) == ("table.csv", 2)
    assert words in refused.what
    assert refused.fix


def test_an_unquoted_thousands_comma_is_not_cut_in_two_silently(file) -> None:
    table = read_blocks(file("block,variety,positions\nHill,Gala,3,000\n"))
    assert table.rows == ()
    assert "more cells than the header: '000'" in table.refused[0].what


def test_scenario_6_two_blocks_of_one_name_are_refused_naming_both_lines(file) -> None:
    table = read_blocks(
        file(BLOCKS_HEADER + "Hill,Gala,40,,,\nMill,Fuji,800,,,\n hill ,Fuji,50,,,\n")
    )
    assert [block.block_id for block in table.rows] == ["Mill"]
    assert [row.line for row in table.refused] == [2, 4]
    assert all("stands on lines 2 and 4" in row.what for row in table.refused)


def test_a_line_that_is_simply_there_twice_counts_once(file) -> None:
    table = read_blocks(file(BLOCKS_HEADER + "Hill,Gala,40,,,\nHill,Gala,40,,,\n"))
    assert [block.block_id for block in table.rows] == ["Hill"]
    assert [row.line for row in table.refused] == [3]


# ---------------------------------------------------------------- encodings and layouts


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"], ids=["comma", "semicolon", "tab"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
def test_files_of_every_office_give_the_same_blocks(
    file, encoding: str, delimiter: str, ending: str
) -> None:
    lines = ["Block,VARIETY, Positions,Pick Date", "Pré,Gala,40,2026-09-01", "", ",,,"]
    content = ending.join(lines).replace(",", delimiter)
    (block,) = read_blocks(file(content.encode(encoding))).rows
    assert (block.block_id, block.positions, block.pick_date) == ("Pré", 40, date(2026, 9, 1))


def test_a_spreadsheet_hint_and_notes_above_the_header_are_skipped(file) -> None:
    table = read_blocks(file("sep=;\n# spring\n\nblock;variety;positions\nHill;Gala;x\n"))
    assert table.refused[0].line == 5


def test_line_numbers_stay_right_below_a_cell_of_two_lines(file) -> None:
    table = read_blocks(file('block,variety,positions\n"Hill\nNorth",Gala,40\nMill,Fuji,0\n'))
    assert (table.lines, table.refused[0].line) == ((2,), 4)


def test_a_cell_that_starts_like_a_formula_is_text(file) -> None:
    (block,) = read_blocks(file("block,variety,positions\n=1+1,@Gala,40\n")).rows
    assert (block.block_id, block.variety) == ("=1+1", "@Gala")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "table.csv is empty"),
        (b"\n\n", "table.csv is empty"),
        (b"block,variety\nHill,Gala\n", "no column 'positions', only: block, variety"),
        (b"block,block,variety,positions\n", "the column 'block' twice"),
        (b"PK\x03\x04rest", "workbook or archive"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00", "no text"),
        (b"block,variety,positions\nHill,\x81,4\n", "no text"),
    ],
)
def test_a_file_that_is_no_table_of_blocks_is_refused(file, content: bytes, words: str) -> None:
    with pytest.raises(FieldDataError, match=words):
        read_blocks(file(content))


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FieldDataError, match=r"Can't read none\.csv: No such file"):
        read_blocks(tmp_path / "none.csv")


# ---------------------------------------------------------------- walk


def test_the_walk_says_which_tree_and_face_a_photo_shows(file) -> None:
    table = read_walk(file(WALK_HEADER + "IMG_1.jpg,Hill,3,17,a\nrow3\\IMG_2.jpg,Hill,3,17,B\n"))
    tree = TreeId("Hill", 3, 17)
    assert table.rows == (
        WalkPhoto(file_name="IMG_1.jpg", tree=tree, face="A"),
        WalkPhoto(file_name="row3/IMG_2.jpg", tree=tree, face="B"),
    )


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ("IMG_1.jpg,Hill,3,17,C", "face is 'C'"),
        ("IMG_1.jpg,Hill,3,17,", "face is ''"),
        ("IMG_1.jpg,Hill,0,17,A", "row is 0"),
        ("IMG_1.jpg,Hill,3,-1,A", "position is -1"),
        (",Hill,3,17,A", "photo is empty"),
        ("../IMG_1.jpg,Hill,3,17,A", "leads out of the photo folder"),
        ("/IMG_1.jpg,Hill,3,17,A", "leads out of the photo folder"),
        ("C:\\IMG_1.jpg,Hill,3,17,A", "leads out of the photo folder"),
    ],
)
def test_a_bad_walk_line_is_refused_and_the_rest_goes_on(file, cells: str, words: str) -> None:
    table = read_walk(file(f"{WALK_HEADER}{cells}\nIMG_9.jpg,Hill,4,1,A\n"))
    assert [photo.file_name for photo in table.rows] == ["IMG_9.jpg"]
    assert words in table.refused[0].what


def test_one_face_of_a_tree_may_stand_in_two_photos_from_two_places(file) -> None:
    table = read_walk(
        file(WALK_HEADER + "1.jpg,Hill,3,17,A\n2.jpg,Hill,3,17,A\n3.jpg,Hill,3,17,B\n")
    )
    assert [photo.file_name for photo in table.rows] == ["1.jpg", "2.jpg", "3.jpg"]
    assert table.refused == ()


def test_one_photo_for_two_trees_is_refused(file) -> None:
    table = read_walk(file(WALK_HEADER + "1.jpg,Hill,3,17,A\n1.jpg,Hill,3,18,A\n"))
    assert table.rows == ()
    assert "Photo 1.jpg stands on lines 2 and 3" in table.refused[1].what


def test_a_block_that_is_not_in_the_register_is_refused_with_the_nearest_name(file) -> None:
    table = read_walk(file(WALK_HEADER + "1.jpg,Hil,3,17,A\n2.jpg,Hill,3,17,A\n"))
    checked = check_blocks(table, [Block(block_id="Hill", variety="Gala", positions=40)])
    assert [photo.file_name for photo in checked.rows] == ["2.jpg"]
    assert checked.lines == (3,)
    assert "Block 'Hil' is not in the list" in checked.refused[0].what
    assert "Did you mean 'Hill'?" in checked.refused[0].fix


# ---------------------------------------------------------------- hand counts


def test_hand_counts_are_read_with_their_protocol(file) -> None:
    table = read_hand_counts(
        file(COUNTS_HEADER + "Hill,1,2,96,2026-08-12,one face\nHill,1,3,0,2026-08-12,\n")
    )
    assert table.rows == (
        HandCount(
            tree=TreeId("Hill", 1, 2),
            fruit_count=96,
            counted_on=date(2026, 8, 12),
            protocol=Protocol.ONE_FACE,
        ),
        HandCount(tree=TreeId("Hill", 1, 3), fruit_count=0, counted_on=date(2026, 8, 12)),
    )
    assert table.rows[1].protocol is Protocol.TWO_FACES


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ("Hill,1,2,-96,2026-08-12,", "fruit_count is -96"),
        ("Hill,1,2,96,08/12/2026,", "counted_on is '08/12/2026', which is ambiguous"),
        ("Hill,1,2,96,,", "counted_on is empty"),
        ("Hill,1,2,96,2026-08-12,three faces", "protocol is 'three faces'"),
    ],
)
def test_a_bad_hand_count_is_refused(file, cells: str, words: str) -> None:
    table = read_hand_counts(file(COUNTS_HEADER + cells))
    assert table.rows == ()
    assert words in table.refused[0].what


def test_two_different_counts_of_a_tree_on_a_day_are_refused(file) -> None:
    table = read_hand_counts(
        file(COUNTS_HEADER + "Hill,1,2,96,2026-08-12,\nHill,1,2,69,2026-08-12,\n")
    )
    assert table.rows == ()
    assert "stands on lines 2 and 3" in table.refused[0].what


# ---------------------------------------------------------------- calipers


def test_scenario_33_a_decimal_comma_of_the_caliper_is_read(file) -> None:
    table = read_calipers(file(CALIPERS_HEADER + 'Hill,1,2,1,2026-08-12,"71,5"\n'))
    assert table.rows == (
        CaliperReading(
            tree=TreeId("Hill", 1, 2),
            measured_on=date(2026, 8, 12),
            diameter_mm=71.5,
            fruit="1",
        ),
    )


def test_scenario_33_inches_in_a_column_of_mm_are_proposed_and_not_converted(file) -> None:
    table = read_calipers(file(CALIPERS_HEADER + "Hill,1,2,1,2026-08-12,2.79\n"))
    assert table.rows == ()
    # 2.79 in × 25.4 mm/in = 70.866 mm.
    assert str(table.refused[0]) == (
        "table.csv, line 2: 2.79 looks like inches (70.9 mm). "
        "Move it to a column diameter_in, or type 70.9."
    )


def test_the_column_in_inches_is_converted(file) -> None:
    header = "block,row,position,measured_on,diameter_in\n"
    (reading,) = read_calipers(file(header + "Hill,1,2,2026-08-12,2.79\n")).rows
    assert reading.diameter_mm == pytest.approx(70.866)


@pytest.mark.parametrize("diameter", ["700", "9.9", "0.5", "150.1", "71.500,0", "-71", ""])
def test_scenario_33_a_diameter_that_is_no_apple_is_refused(file, diameter: str) -> None:
    table = read_calipers(file(CALIPERS_HEADER + f'Hill,1,2,1,2026-08-12,"{diameter}"\n'))
    assert table.rows == ()
    assert "diameter_mm is" in table.refused[0].what


def test_the_limits_hold_for_inches_too(file) -> None:
    header = "block,row,position,measured_on,diameter_in\n"
    table = read_calipers(file(header + "Hill,1,2,2026-08-12,71\n"))
    assert "that is 1803.4 mm" in table.refused[0].what


def test_a_diameter_in_both_units_is_refused(file) -> None:
    header = "block,row,position,measured_on,diameter_mm,diameter_in\n"
    table = read_calipers(file(header + "Hill,1,2,2026-08-12,71,5\n"))
    assert table.rows == ()
    assert "Both diameter_mm (71) and diameter_in (5)" in table.refused[0].what


def test_unnamed_fruit_of_one_size_are_two_fruit_and_named_ones_are_one(file) -> None:
    header = "block,row,position,measured_on,fruit,diameter_mm\n"
    day = "Hill,1,2,2026-08-12"
    table = read_calipers(file(f"{header}{day},,71\n{day},,71\n{day},7,71\n{day},7,72\n"))
    assert [reading.fruit for reading in table.rows] == ["", ""]
    assert [row.line for row in table.refused] == [4, 5]


def test_a_caliper_file_without_any_diameter_is_refused(file) -> None:
    with pytest.raises(FieldDataError, match="none of the columns diameter_mm and diameter_in"):
        read_calipers(file("block,row,position,measured_on\nHill,1,2,2026-08-12\n"))

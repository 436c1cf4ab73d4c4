"""Tables against a farm: nothing without a yes, nothing twice, nothing lost, asked once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from fruitvision.domain import (
    HandCount,
    OrderLine,
    RegisteredTree,
    ThingKind,
    TreeId,
    TreeKind,
)
from fruitvision.errors import FieldDataError
from fruitvision.export.fruit_table import COLUMNS as FARM_FRUIT
from fruitvision.export.measured import fruit_columns
from fruitvision.papers.answers import Answers
from fruitvision.papers.days import DayOrder
from fruitvision.papers.kinds import KINDS
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.paper_tables import FARM_TABLES
from fruitvision.pipeline.papers import forget_name, look_at, names_said, take_in
from fruitvision.store import FarmStore, open_farm
from fruitvision.unit_system import US
from tests import records
from tests.app.pages import fill as fill_with_walk
from tests.paper_files import BLOCKS, fill, paper, workbook

DAY = date(2026, 7, 22)


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm") as store:
        fill(store)
        yield store


def state(store: FarmStore) -> list[object]:
    """All that tables may change."""
    return [
        *(one.present(store) for one in FARM_TABLES.values()),
        store.mapped_names(),
        store.changes(),
    ]


def test_every_kind_of_table_can_be_kept() -> None:
    assert set(KINDS) == set(FARM_TABLES)


# ---------------------------------------------------------------- scenario 33


def test_calipers_with_a_comma_inches_and_a_slip(farm: FarmStore, tmp_path: Path) -> None:
    text = (
        "block,row,position,measured_on,diameter_mm\n"
        "Gala North 1,1,1,2026-07-22,71.2\n"
        'Gala North 1,1,2,2026-07-22,"70,8"\n'
        "Gala North 1,1,3,2026-07-22,2.79\n"
        "Gala North 1,1,4,2026-07-22,700\n"
    )
    path, before = paper(tmp_path, text, "calipers.csv"), state(farm)
    preview = look_at(path, farm, Answers())
    assert preview.kind == "calipers"
    assert [row.cells["diameter_mm"] for row in preview.first_rows] == ["71.2", "70.8"]
    assert preview.understood is not None
    (inch,) = preview.understood.inch_cells
    assert (inch.line, round(inch.mm, 1)) == (4, 70.9)
    assert [(row.line, row.what) for row in preview.refused] == [
        (4, "2.79 looks like inches (70.9 mm)."),
        (5, "diameter_mm is 700."),
    ]
    assert state(farm) == before, "looking changed the farm"
    yes = look_at(path, farm, Answers(inches=True))
    assert (yes.rows, len(yes.new), [row.line for row in yes.refused]) == (3, 3, [5])
    assert state(farm) == before
    taken = take_in(path, farm, Answers(inches=True), who="Ana", seen=yes.stamp)
    assert taken.changed
    assert [round(one.diameter_mm, 1) for one in farm.caliper_readings()] == [71.2, 70.8, 70.9]
    (told,) = farm.changes(kind=ThingKind.TABLE)
    assert (told.who, told.about) == ("Ana", "calipers")
    assert told.after is not None
    assert told.after["rows"] == 3
    # The number that was typed is kept beside the one that went in.
    assert told.after["converted"] == [[4, "diameter_mm", "2.79", "70.866"]]


# ---------------------------------------------------------------- scenario 48


PACKED = (
    "Lot;Packed;Field;Bins;Size;Cartons\n"
    "L1;2026-09-10;GALA N-4;12;88;120\n"
    "L2;2026-09-11;Gala North 1;9;88;90\n"
    "L3;2026-09-11;Home;3;88;20\n"
)


def test_a_block_of_another_paper_is_asked_once_and_what_matches_nothing_is_listed(
    farm: FarmStore, tmp_path: Path
) -> None:
    path = paper(tmp_path, PACKED, "september.csv")
    preview = look_at(path, farm, Answers())
    assert preview.kind == "packed"
    assert preview.understood is not None
    assert [(one.written, one.proposed[:1]) for one in preview.understood.names_asked] == [
        ("GALA N-4", ("Gala North 4",)),
        ("Home", ()),
    ]
    answers = Answers(names={("block", "gala n-4"): "Gala North 4"})
    taken = take_in(path, farm, answers, who="Ines").preview
    assert [lot.parts[0].block_id for lot in farm.packed_lots()] == ["Gala North 4", "Gala North 1"]
    assert taken.understood is not None
    assert [(one.written, one.lines) for one in taken.understood.names_asked] == [("Home", (4,))]
    # The next table of the house needs no answer, in other letters too, and still lists the rest.
    text = "Ticket;Block;Date;Bins\nT1;Gala n-4;2026-09-03;2\nT2;Home;2026-09-03;1\n"
    path = paper(tmp_path, text, "tickets.csv")
    again = take_in(path, farm, Answers(), who="Ben").preview
    assert [one.block_id for one in farm.bin_tickets()] == ["Gala North 4"]
    assert again.understood is not None
    assert again.understood.rows_out == 1
    (used,) = again.understood.names_used
    assert used.said is not None
    assert (used.said.who, used.said.meant) == ("Ines", "Gala North 4")
    # Taken back, it is asked again.
    (said,) = names_said(farm)
    forget_name(said.kind, said.written, farm)
    found = look_at(path, farm, Answers())
    assert found.understood is not None
    assert [one.written for one in found.understood.names_asked] == ["Gala n-4", "Home"]
    with pytest.raises(FieldDataError, match="Nobody said what 'GALA N-4' means"):
        forget_name(said.kind, said.written, farm)


def test_a_mapped_block_that_was_taken_off_is_asked_again(farm: FarmStore, tmp_path: Path) -> None:
    path = paper(tmp_path, PACKED)
    take_in(path, farm, Answers(names={("block", "gala n-4"): "Gala North 4"}), who="Ines")
    farm.take_block_off(
        "Gala North 4", expected=farm.hanging_on("Gala North 4"), who="", at=now_utc()
    )
    found = look_at(path, farm, Answers())
    assert found.understood is not None
    assert "GALA N-4" in [one.written for one in found.understood.names_asked]


def test_a_ticket_of_another_season_does_not_replace_one_of_the_same_number(
    farm: FarmStore, tmp_path: Path
) -> None:
    head = "ticket,block,picked_on,bins\n"
    take_in(paper(tmp_path, f"{head}7,Fuji Slope,2025-09-03,2\n"), farm, Answers(), who="")
    path = paper(tmp_path, f"{head}7,Fuji Slope,2026-09-03,3\n8,Fuji Slope,2026-09-03,1\n")
    preview = look_at(path, farm, Answers())
    assert [(row.line, row.what) for row in preview.refused] == [
        (2, "Ticket 7 is known of 2025-09-03 already.")
    ]
    take_in(path, farm, Answers(), who="")
    assert {one.ticket: one.bins for one in farm.bin_tickets()} == {"7": 2, "8": 1}


def test_bins_of_a_lot_need_their_lot(farm: FarmStore, tmp_path: Path) -> None:
    packed = "lot,packed_on,size_class,cartons\nL1,2026-09-10,88,10\n"
    take_in(paper(tmp_path, packed), farm, Answers(), who="")
    parts = "lot,block,bins\nL1,Fuji Slope,5\nL1,Gala North 1,3\nL9,Fuji Slope,2\n"
    preview = take_in(paper(tmp_path, parts, "lots.csv"), farm, Answers(), who="").preview
    assert preview.kind == "lots"
    assert [row.what for row in preview.refused] == ["There is no packed lot L9."]
    (lot,) = farm.packed_lots()
    assert [(one.block_id, one.bins) for one in lot.parts] == [
        ("Fuji Slope", 5),
        ("Gala North 1", 3),
    ]


# ---------------------------------------------------------------- scenarios 7 and 51


@pytest.mark.parametrize(
    ("typed", "positions", "told"),
    [
        ('"3,000"', 3000, ""),
        ("3000", 3000, ""),
        ("0", None, "positions is 0."),
        ("-5", None, "positions is -5."),
        ("3.000", None, "positions is '3.000', which may mean 3 or 3000."),
    ],
)
def test_trees_with_a_thousands_comma_are_read_and_none_or_fewer_refused_by_name(
    farm: FarmStore, tmp_path: Path, typed: str, positions: int | None, told: str
) -> None:
    path = paper(tmp_path, f"Name,Variety,Number of trees\nMill,Gala,{typed}\n", "blocks.csv")
    preview = look_at(path, farm, Answers())
    assert [row.what for row in preview.refused] == ([told] if told else [])
    take_in(path, farm, Answers(), who="")
    kept = {block.block_id: block.positions for block in farm.blocks()}
    assert kept.get("Mill") == positions


def test_names_with_accents_of_windows_1252_and_cells_like_formulas_stay_whole(
    farm: FarmStore, tmp_path: Path
) -> None:
    text = "Boleta;Cuartel;Fecha;Bins\n+5;Gala North 1;2026-09-03;2\n=1+1;Peñón;2026-09-03;3\n"
    farm.save_blocks([replace(BLOCKS[0], block_id="Peñón")])
    take_in(paper(tmp_path, text, encoding="cp1252"), farm, Answers(), who="")
    tickets = {one.ticket: one.block_id for one in farm.bin_tickets()}
    assert tickets == {"+5": "Gala North 1", "=1+1": "Peñón"}


# ---------------------------------------------------------------- nothing twice, nothing unseen


def test_the_same_table_again_changes_nothing_and_says_so(farm: FarmStore, tmp_path: Path) -> None:
    path = paper(
        tmp_path, "block,row,position,measured_on,diameter_mm\nFuji Slope,1,1,2026-07-22,70\n"
    )
    first = look_at(path, farm, Answers())
    other_tab = look_at(path, farm, Answers())
    assert take_in(path, farm, Answers(), who="Ana", seen=first.stamp).changed
    kept = state(farm)
    assert not take_in(path, farm, Answers(), who="Ben", seen=other_tab.stamp).changed
    assert state(farm) == kept
    again = look_at(path, farm, Answers())
    assert (again.rows, again.same, again.changes_nothing) == (1, 1, True)


def test_a_yes_to_something_that_was_changed_meanwhile_is_refused(
    farm: FarmStore, tmp_path: Path
) -> None:
    path = paper(
        tmp_path, "block,row,position,fruit_count,counted_on\nFuji Slope,1,1,90,2026-07-22\n"
    )
    seen = look_at(path, farm, Answers())
    other = HandCount(tree=TreeId("Fuji Slope", 1, 1), fruit_count=80, counted_on=DAY)
    farm.save_hand_counts([other])
    with pytest.raises(FieldDataError, match="changed meanwhile"):
        take_in(path, farm, Answers(), who="Ana", seen=seen.stamp)
    assert farm.hand_counts() == (other,)
    now = look_at(path, farm, Answers())
    (changed,) = now.changed
    assert [(one.name, one.before, one.after) for one in changed.fields] == [
        ("fruit_count", 80, 90)
    ]


def test_a_table_with_an_open_question_can_not_go_in(farm: FarmStore, tmp_path: Path) -> None:
    path = paper(tmp_path, "ticket,block,picked_on,bins\nT1,Fuji Slope,03/04/2026,2\n")
    before = state(farm)
    with pytest.raises(FieldDataError, match="question that is open"):
        take_in(path, farm, Answers(), who="")
    assert state(farm) == before
    take_in(path, farm, Answers(day_order=DayOrder.DAY_FIRST), who="")
    assert [one.picked_on for one in farm.bin_tickets()] == [date(2026, 4, 3)]


def test_what_a_table_takes_the_place_of_is_told(farm: FarmStore, tmp_path: Path) -> None:
    old = OrderLine(
        customer="C1", variety="Gala", classes="all", week=date(2026, 9, 14), cartons=10
    )
    farm.save_order_book([old])
    path = paper(tmp_path, "customer,variety,classes,week,cartons\nC2,Gala,88,2026-W38,5\n")
    preview = look_at(path, farm, Answers())
    assert [one.key[0] for one in preview.gone] == ["C1"]
    assert [one.key[0] for one in preview.new] == ["C2"]
    # A book of which no row is understood leaves the one before as it was.
    path = paper(tmp_path, "customer,variety,classes,week,cartons\nC2,Gala,88,2026-W38,-5\n")
    preview = look_at(path, farm, Answers())
    assert (preview.rows, preview.gone, len(preview.refused)) == (0, (), 1)
    take_in(path, farm, Answers(), who="")
    assert farm.order_book() == (old,)


# ---------------------------------------------------------------- blocks and registers


def test_a_list_of_blocks_leaves_what_it_has_no_column_for(farm: FarmStore, tmp_path: Path) -> None:
    path = paper(
        tmp_path, "block,variety,positions\ngala north 4,Gala,5\nMill,Gala,9\n", "blocks.csv"
    )
    preview = look_at(path, farm, Answers())
    (changed,) = preview.changed
    assert [(one.name, one.before, one.after) for one in changed.fields] == [("positions", 4, 5)]
    take_in(path, farm, Answers(), who="Ana")
    kept = {block.block_id: block for block in farm.blocks()}
    assert kept["Gala North 4"] == replace(BLOCKS[1], positions=5)
    assert kept["Gala North 1"] == BLOCKS[0]
    assert len(kept) == 4


def test_a_register_that_contradicts_its_block_is_refused_and_others_go_in(
    farm: FarmStore, tmp_path: Path
) -> None:
    lines = [f"Gala North 1,1,{n},ok\n" for n in range(1, 5)]
    lines += [f"Fuji Slope,1,{n},gap\n" for n in range(1, 4)]
    path = paper(tmp_path, "block,row,tree,status\n" + "".join(lines), "register.csv")
    preview = look_at(path, farm, Answers())
    assert (preview.rows, len(preview.refused)) == (4, 3)
    take_in(path, farm, Answers(), who="Ana")
    assert {one.tree.block_id for one in farm.register()} == {"Gala North 1"}


def test_a_register_keeps_places_on_the_globe_that_it_does_not_name(
    farm: FarmStore, tmp_path: Path
) -> None:
    trees = [
        RegisteredTree(tree=TreeId("Gala North 1", 1, n), latitude_deg=46.5, longitude_deg=-119.0)
        for n in range(1, 5)
    ]
    farm.save_register(trees)
    lines = [f"Gala North 1,1,{n},{'gap' if n == 2 else 'ok'}\n" for n in range(1, 5)]
    path = paper(tmp_path, "block,row,tree,status\n" + "".join(lines), "register.csv")
    preview = look_at(path, farm, Answers())
    assert [one.key for one in preview.changed] == [("Gala North 1", 1, 2)]
    take_in(path, farm, Answers(), who="Ana")
    kept = farm.register()
    assert {one.latitude_deg for one in kept} == {46.5}
    assert [one.kind for one in kept if one.tree.position == 2] == [TreeKind.MISSING]


# ---------------------------------------------------------------- counts that look like slips


def test_an_odd_hand_count_waits_for_a_second_word(tmp_path: Path) -> None:
    text = (
        "block,row,position,fruit_count,counted_on\n"
        # Two photos of 8 fruit each: 16 seen.
        "Gala North,1,2,40,2026-08-12\n"
        "Gala North,1,3,180,2026-08-12\n"
        "Gala North,1,99,4000,2026-08-12\n"
    )
    path = paper(tmp_path, text, "hand_counts.csv")
    with open_farm(tmp_path / "farm") as store:
        fill_with_walk(store)
        preview = look_at(path, store, Answers())
        assert [(one.line, one.fruit_count) for one in preview.odd_counts] == [(3, 180), (4, 4000)]
        assert preview.rows == 1
        answers = Answers(odd_lines=frozenset({3}))
        take_in(path, store, answers, who="Ana")
        kept = {one.tree: one.fruit_count for one in store.hand_counts()}
        assert kept[records.tree_id(2)] == 40
        assert kept[records.tree_id(3)] == 180
        assert records.tree_id(99) not in kept


def test_the_counts_of_a_table_tell_what_is_usual_in_its_block(tmp_path: Path) -> None:
    head = "block,row,position,fruit_count,counted_on\n"
    one = "Gala North,1,3,80,2026-08-12\n"
    others = "".join(
        f"Gala North,1,{n},{fruit},2026-08-12\n"
        for n, fruit in ((1, 56), (2, 64), (4, 80), (5, 88))
    )
    with open_farm(tmp_path / "farm") as store:
        fill_with_walk(store)
        alone = look_at(paper(tmp_path, head + one, "hand_counts.csv"), store, Answers())
        # The farm's counts are 1.5 for each fruit of two faces: 27 of these 18.
        assert [(one.fruit_count, one.faces) for one in alone.odd_counts] == [(80, (9, 9))]
        # Four for each one on all other trees.
        path = paper(tmp_path, head + others + one, "hand_counts.csv")
        assert look_at(path, store, Answers()).odd_counts == ()


# ---------------------------------------------------------------- sheets, kinds, columns


def test_a_sheet_and_a_kind_are_chosen_and_the_kind_is_remembered(
    farm: FarmStore, tmp_path: Path
) -> None:
    rows: list[list[object]] = [
        ["lot", "block", "bins", "row", "tree"],
        ["L1", "Fuji Slope", 2, 1, 1],
    ]
    path = workbook(tmp_path, {"One": [["x", "y"], [1, 2]], "Two": rows})
    assert look_at(path, farm, Answers()).sheets == ("One", "Two")
    assert look_at(path, farm, Answers(sheet="One")).kind == ""
    with pytest.raises(FieldDataError, match="has no sheet 'Three'"):
        look_at(path, farm, Answers(sheet="Three"))
    with pytest.raises(FieldDataError, match="no kind of table 'x'"):
        look_at(path, farm, Answers(sheet="Two", kind="x"))
    chosen = Answers(sheet="Two", kind="register", columns={"bins": ""})
    assert look_at(path, farm, Answers(sheet="Two")).kind != "register"
    take_in(path, farm, chosen, who="Ana")
    again = look_at(path, farm, Answers(sheet="Two"))
    assert again.kind == "register"
    assert again.kind_said is not None
    assert again.kind_said.who == "Ana"
    # Said otherwise, the last word holds, also where the header alone would have told it.
    take_in(path, farm, Answers(sheet="Two", kind="lots"), who="Ben")
    assert look_at(path, farm, Answers(sheet="Two")).kind == "lots"


def test_columns_that_were_told_once_need_no_telling_again(farm: FarmStore, tmp_path: Path) -> None:
    text = "Block;Reihe;Tree;Date;Diam mm\nFuji Slope;1;2;{};70\n"
    path = paper(tmp_path, text.format("2026-07-22"))
    take_in(path, farm, Answers(columns={"Reihe": "row"}), who="Ana")
    path = paper(tmp_path, text.format("2026-07-29"))
    preview = look_at(path, farm, Answers())
    assert not preview.must_ask
    take_in(path, farm, Answers(), who="Ben")
    assert len(farm.caliper_readings()) == 2


def test_rows_of_a_farm_without_blocks_are_listed(tmp_path: Path) -> None:
    path = paper(tmp_path, "ticket,block,picked_on,bins\nT1,Fuji Slope,2026-09-03,2\n")
    with open_farm(tmp_path / "empty") as store:
        preview = look_at(path, store, Answers())
    assert preview.rows == 0
    assert preview.understood is not None
    assert [one.choices for one in preview.understood.names_asked] == [()]


@pytest.mark.parametrize("columns", [FARM_FRUIT, fruit_columns(), fruit_columns(US)])
def test_a_list_of_measured_fruit_is_called_what_it_is(
    farm: FarmStore, tmp_path: Path, columns: tuple[str, ...]
) -> None:
    path = paper(tmp_path, f"{','.join(columns)}\n", "fruit.csv")
    with pytest.raises(FieldDataError, match=r"^fruit\.csv is a list of fruit that were measured"):
        look_at(path, farm, Answers(kind="calipers"))


def test_the_list_of_a_walk_is_no_table_and_is_sent_to_where_it_belongs(farm: FarmStore) -> None:
    samples = Path(__file__).parents[1] / "samples"
    for kind in ("", "register"):
        with pytest.raises(FieldDataError, match=r"^walk\.csv is the list of a walk") as err:
            look_at(samples / "walk.csv", farm, Answers(kind=kind))
        assert "Photos under 'A walk'" in err.value.fix
    assert look_at(samples / "register.csv", farm, Answers()).kind == "register"

"""Tables of any form: which kind, columns, units, days and names they mean, and what is asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from fruitvision import field_table
from fruitvision.csv_file import CsvFile
from fruitvision.domain import NameMapping
from fruitvision.errors import FieldDataError
from fruitvision.papers.answers import Answers, remembered
from fruitvision.papers.columns import Why
from fruitvision.papers.days import DayOrder, day_orders, iso_day, sure_day
from fruitvision.papers.kinds import FEW_WORDS, KINDS, guess_kind, meant_by
from fruitvision.papers.measures import MEASURES
from fruitvision.papers.names import likeness, proposed_names, same_name
from fruitvision.papers.sheets import heading_of, read_sheets
from fruitvision.papers.words import _words, plain, values_called
from tests.paper_files import paper, understood, workbook

CALIPERS = "Block;Row;Tree;Date;Diameter\n"


def calipers(folder: Path, *cells: str, header: str = CALIPERS, day: str = "2026-07-22") -> Path:
    lines = (f"Gala North 1;1;{n};{day};{cell}\n" for n, cell in enumerate(cells, start=1))
    return paper(folder, header + "".join(lines))


# ---------------------------------------------------------------- the kinds and their readers


@pytest.mark.parametrize("name", KINDS)
def test_a_kind_has_just_the_columns_that_its_reader_asks_for(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[set[str], set[str], set[str]]] = []

    def spy(
        _source: object,
        _understand: Callable[..., Any],
        *,
        required: tuple[str, ...],
        optional: tuple[str, ...] = (),
        one_of: tuple[str, ...] = (),
    ) -> field_table.FieldTable[Any]:
        asked.append((set(required), set(optional), set(one_of)))
        return field_table.FieldTable(file="", rows=(), lines=())

    kind = KINDS[name]
    for module in ("field_data", "office_data", "packout_data", "packed_data", "price_data"):
        monkeypatch.setattr(f"fruitvision.{module}.read_rows", spy)
    monkeypatch.setattr("fruitvision.orders.table.read_rows", spy)
    kind.read(CsvFile(name="x", columns=kind.columns, rows=()))
    assert asked == [(set(kind.required), set(kind.optional), set(kind.one_of))]
    for columns in (kind.days, kind.shares, set(kind.names), kind.new_names):
        assert set(columns) <= set(kind.columns)


def test_words_are_of_columns_that_there_are_and_plain() -> None:
    for section, words in _words().items():
        if section.startswith("values."):
            assert set(words) <= {*FEW_WORDS.get(section.removeprefix("values."), ()), "all"}
        elif section not in ("any", "units", "months"):
            measures = {
                m.name for m in MEASURES.values() if set(m.columns) & set(KINDS[section].columns)
            }
            assert set(words) <= {*KINDS[section].columns, *measures}, section
        for meant in words.values():
            assert all(word == plain(word) for word in meant), section


@pytest.mark.parametrize("name", KINDS)
def test_the_farms_own_header_is_known_for_what_it_is(name: str) -> None:
    kind = KINDS[name]
    assert {meant_by(column, kind)[0] for column in kind.columns} == set(kind.columns)
    guess = guess_kind(kind.columns)
    assert (guess.kinds[0], guess.clear) == (name, True)


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("Cuartel,Hilera,Árbol,Fecha,Conteo", "hand_counts"),
        ("Parcelle,Rang,Arbre,Date de mesure,Diamètre (mm)", "calipers"),
        ("Row no.,Tree no.,Block,Status", "register"),
        ("Bloque,Fila,Planta,Fecha de visita,Encontrado", "gaps"),
        ("Docket,Field,Date,Bins,Pass", "tickets"),
        ("Cliente,Variedad,Calibres,Semana,Cajas", "orders"),
        ("Variety,Date,Diam mm,Weight g", "weighed"),
        ("Lot,Packed,Size,Grade,Boxes", "packed"),
        ("Clase,Precio por caja,Variedad", "prices"),
        ("Nombre del cuartel,Variedad,Número de árboles", "blocks"),
    ],
)
def test_a_kind_is_told_from_a_header_in_three_languages(header: str, kind: str) -> None:
    guess = guess_kind(header.split(","))
    assert (guess.kinds[0], guess.clear) == (kind, True)


def test_two_kinds_that_fit_alike_are_asked_unless_the_file_says_it() -> None:
    header = ("class", "share", "grade", "price")
    labels = ("block", "pick date")
    assert guess_kind(labels).clear
    assert not guess_kind(("row", "number")).clear
    both = guess_kind(("lot", "block", "bins", "date", "ticket"), "lots.csv")
    assert both.kinds[0] == "tickets"
    assert guess_kind(header).kinds[0] in ("grades", "prices")


# ---------------------------------------------------------------- files


def test_a_header_is_found_below_titles_in_any_order_and_separator(tmp_path: Path) -> None:
    text = (
        "Finca de prueba\n\nMediciones;julio\nDiámetro;Árbol;Hilera;Cuartel;Fecha\n"
        "70,8;2;1;Gala North 1;2026-07-22\n"
    )
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"):
        for delimiter in ";\t":
            path = paper(tmp_path, text.replace(";", delimiter), encoding=encoding)
            found = understood(path, "calipers")
            (row,) = found.table.rows
            assert row.line == 5
            assert row.cells["diameter_mm"] == "70.8"
            assert row.cells["block"] == "Gala North 1"


def test_windows_1252_keeps_the_accents_of_names_and_its_holes_are_no_text(tmp_path: Path) -> None:
    path = paper(
        tmp_path,
        "customer,variety,classes,week,cartons\nÉtienne & Cía,Gala,88,2026-W38,10\n",
        encoding="cp1252",
    )
    (row,) = understood(path, "orders").table.rows
    assert row.cells["customer"] == "Étienne & Cía"
    path.write_bytes(b"block,row\n\x81\x8d\xe9,1\n")
    with pytest.raises(FieldDataError, match="is no text"):
        read_sheets(path)


def test_a_workbook_tells_its_sheets_and_what_is_hidden_merged_or_a_formula(tmp_path: Path) -> None:
    rows: list[list[object]] = [
        ["Calipers of July", None, None, None, None],
        ["Block", "Row", "Tree", "Date", "Diameter mm"],
        ["Gala North 1", 1, 1, date(2026, 7, 22), 70.5],
        [None, 1, 2, date(2026, 7, 22), "=69+1"],
        [None, 1, 3, date(2026, 7, 22), 71],
    ]
    path = workbook(tmp_path, {"Notes": [["nothing"]], "July": rows, "Empty": []})
    book = load_workbook(path)
    book["July"].merge_cells("A3:A5")
    book["July"].merge_cells("A1:E1")
    book["July"].row_dimensions[5].hidden = True
    book.save(path)
    sheets = read_sheets(path)
    assert [one.name for one in sheets] == ["Notes", "July"]
    july = sheets[1]
    assert (july.hidden_rows, july.merged, july.formulas) == ((5,), 2, 1)
    heading = heading_of(july)
    assert heading.line == 2
    assert [cells[0] for _, cells in heading.rows] == ["Gala North 1"] * 3
    # Nobody computed it, so that there is no value: its text is what the cell holds.
    assert [cells[4] for _, cells in heading.rows] == ["70.5", "=69+1", "71"]
    assert heading.rows[0][1][3] == "2026-07-22"


def test_a_cell_that_begins_like_a_formula_is_text(tmp_path: Path) -> None:
    path = paper(
        tmp_path,
        "ticket,block,picked_on,bins\n=1+1,Gala North 1,2026-09-03,2\n"
        '"=HYPERLINK(""x"")",Gala North 1,2026-09-03,3\n',
    )
    found = understood(path, "tickets")
    tickets = KINDS["tickets"].read(found.table)
    assert [one.ticket for one in tickets.rows] == ["=1+1", '=HYPERLINK("x")']


def test_cells_of_no_column_are_told_and_not_lost(tmp_path: Path) -> None:
    path = paper(tmp_path, "block,row,tree,date,diameter_mm\nGala North 1,1,2,2026-07-22,70,8\n")
    table = KINDS["calipers"].read(understood(path, "calipers").table)
    assert not table.rows
    assert "more cells than the header" in table.refused[0].what


# ---------------------------------------------------------------- units


def test_inches_among_millimetres_are_proposed_and_wait_for_a_yes(tmp_path: Path) -> None:
    path = calipers(tmp_path, "71.2", "70,8", "2.79", "700")
    found = understood(path, "calipers")
    assert [(one.line, one.typed, round(one.mm, 1)) for one in found.inch_cells] == [
        (4, "2.79", 70.9)
    ]
    assert found.converted == ()
    table = KINDS["calipers"].read(found.table)
    assert [one.diameter_mm for one in table.rows] == [71.2, 70.8]
    assert [row.line for row in table.refused] == [4, 5]
    yes = understood(path, "calipers", Answers(inches=True))
    table = KINDS["calipers"].read(yes.table)
    assert [one.diameter_mm for one in table.rows] == pytest.approx([71.2, 70.8, 70.866])
    assert [row.line for row in table.refused] == [5]
    assert [(one.typed, one.became) for one in yes.converted] == [("2.79", "70.866")]


@pytest.mark.parametrize(
    ("header", "cell", "mm"),
    [
        ("Diameter (mm)", "70.5", 70.5),
        ("Diameter (cm)", "7.05", 70.5),
        ("Diam. [in]", "2.75", 69.85),
        ("Diámetro, pulgadas", "2,75", 69.85),
        ("Diameter", '2.75"', 69.85),
        ("Diameter", "2.75 in", 69.85),
        ("diameter_mm", "7.05 cm", 70.5),
        ("Diamètre", "70,5 mm", 70.5),
    ],
)
def test_units_in_a_header_or_a_cell_are_converted(
    tmp_path: Path, header: str, cell: str, mm: float
) -> None:
    path = calipers(tmp_path, cell, header=CALIPERS.replace("Diameter", header))
    found = understood(path, "calipers")
    assert not found.must_ask
    (reading,) = KINDS["calipers"].read(found.table).rows
    assert reading.diameter_mm == pytest.approx(mm)


@pytest.mark.parametrize(
    ("header", "cell", "grams"),
    [
        ("Weight (g)", "182", 182.0),
        ("Peso kg", "0,182", 182.0),
        ("Weight oz", "6.42", 182.004),
        ("Poids", "0.4 lb", 181.437),
    ],
)
def test_weights_are_taken_in_four_units(
    tmp_path: Path, header: str, cell: str, grams: float
) -> None:
    # 1 oz is 28.349523125 g and 1 lb 453.59237 g, by the international agreement of 1959.
    path = paper(tmp_path, f"Variety;Date;Diam mm;{header}\nGala;2026-08-12;72;{cell}\n")
    (fruit,) = KINDS["weighed"].read(understood(path, "weighed").table).rows
    assert fruit.mass_g == pytest.approx(grams, abs=0.01)


def test_a_column_whose_numbers_fit_both_units_is_asked(tmp_path: Path) -> None:
    path = paper(tmp_path, "Block;Variety;Trees;Between rows;Area\nMill;Gala;800;3.5;2\n")
    found = understood(path, "blocks")
    asked = {one.label: one.choices for one in found.columns if one.choices}
    assert asked == {
        "Between rows": ("row_spacing_m", "row_spacing_ft"),
        "Area": ("area_ha", "area_acres"),
    }
    assert found.must_ask
    answers = Answers(columns={"Between rows": "row_spacing_m", "Area": "area_acres"})
    (block,) = KINDS["blocks"].read(understood(path, "blocks", answers).table).rows
    assert block.row_spacing_m == 3.5
    assert block.area_ha == pytest.approx(0.809371)  # 2 acres of 4046.856 m²


def test_small_diameters_without_a_unit_are_asked_as_a_whole(tmp_path: Path) -> None:
    path = calipers(tmp_path, "2.79", "2.81", "2.6")
    (column,) = (one for one in understood(path, "calipers").columns if one.choices)
    assert column.choices == ("diameter_mm", "diameter_in")
    found = understood(path, "calipers", Answers(columns={"Diameter": "diameter_in"}))
    table = KINDS["calipers"].read(found.table)
    assert [round(one.diameter_mm, 1) for one in table.rows] == [70.9, 71.4, 66.0]


def test_percent_is_a_share(tmp_path: Path) -> None:
    path = paper(tmp_path, "size class;cull share\n88;12 %\n100;0,2\n")
    table = KINDS["culls"].read(understood(path, "culls").table)
    assert [one.cull_share for one in table.rows] == [0.12, 0.2]


# ---------------------------------------------------------------- days


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2026-08-12", date(2026, 8, 12)),
        ("2026/8/2", date(2026, 8, 2)),
        ("2026-08-12 10:30:00", date(2026, 8, 12)),
        ("2026-08-12T10:30Z", date(2026, 8, 12)),
        ("12 Aug 2026", date(2026, 8, 12)),
        ("Aug 12, 2026", date(2026, 8, 12)),
        ("3 de septiembre de 2026", date(2026, 9, 3)),
        ("1er août 2026", date(2026, 8, 1)),
        ("2026-02-30", None),
        ("03/04/2026", None),
        ("soon", None),
    ],
)
def test_dates_that_can_be_read_in_one_way_only(text: str, day: date | None) -> None:
    assert sure_day(text) == day


def test_an_ambiguous_date_is_asked_and_one_that_tells_is_proof() -> None:
    found = day_orders(["03/04/2026", "04/04/2026"])
    assert found.order is None
    assert found.question is not None
    assert found.question.readings == (
        (DayOrder.DAY_FIRST, date(2026, 4, 3)),
        (DayOrder.MONTH_FIRST, date(2026, 3, 4)),
    )
    told = day_orders(["03/04/2026", "13/04/2026"])
    assert (told.order, told.proof, told.question) == (DayOrder.DAY_FIRST, "13/04/2026", None)
    assert day_orders(["03/14/2026", "03/04/2026"]).order is DayOrder.MONTH_FIRST
    # Both orders give the same day.
    assert day_orders(["3/3/2026"]).question is None
    # No order fits both: a person must say, and one of them will be refused.
    assert day_orders(["13/04/2026", "04/14/2026"]).question is not None
    two_digits = day_orders(["12/8/26"]).question
    assert two_digits is not None
    assert [order for order, _ in two_digits.readings] == list(DayOrder)
    assert day_orders(["soon", ""]).question is None


def test_a_question_about_days_holds_the_table_back_until_it_is_answered(tmp_path: Path) -> None:
    path = calipers(tmp_path, "70", "71", day="03/04/2026")
    assert understood(path, "calipers").must_ask
    found = understood(path, "calipers", Answers(day_order=DayOrder.MONTH_FIRST))
    days = {one.measured_on for one in KINDS["calipers"].read(found.table).rows}
    assert days == {date(2026, 3, 4)}
    assert iso_day("31/04/2026", DayOrder.DAY_FIRST) == "31/04/2026"


# ---------------------------------------------------------------- names


def test_an_abbreviated_name_is_nearest_to_the_block_that_is_meant() -> None:
    known = ["Gala North 1", "Gala South 4", "Gala North 4", "Fuji Slope", "Mill"]
    for written in ("GALA N-4", "GN4", "gala nrth 4", "Gala North No 4"):
        assert proposed_names(written, known)[0] == "Gala North 4", written
    assert proposed_names("Fuji", known) == ("Fuji Slope",)
    assert proposed_names("Braeburn Home", known) == ()
    # Another number is another block, however alike the rest is.
    assert proposed_names("Hill 1", ["Hill 11", "Hall 1"])[0] == "Hall 1"
    assert likeness("Gala North 4", "Gala North 14") < likeness("Gala North 4", "gala NORTH 4") == 1


def test_a_name_that_differs_in_signs_only_needs_no_question_and_two_such_do() -> None:
    assert same_name("GALA-NORTH  4", ["Gala North 4", "Gala North 1"]) == "Gala North 4"
    assert same_name("gala north", ["Gala North", "Gala-North"]) is None
    assert same_name("Gala North", ["Gala North", "Gala-North"]) == "Gala North"
    assert same_name("Mill", ["Hill"]) is None


def test_rows_with_an_unknown_name_stay_out_and_are_asked_once(tmp_path: Path) -> None:
    text = (
        "ticket,block,picked_on,bins\nT1,GALA N-4,2026-09-03,2\nT2,Gala North 1,2026-09-03,3\n"
        "T3,GALA N-4,2026-09-03,4\nT4,Home,2026-09-03,1\n"
    )
    path = paper(tmp_path, text)
    found = understood(path, "tickets")
    assert [row.line for row in found.table.rows] == [3]
    assert [(one.written, one.lines, one.proposed[:1]) for one in found.names_asked] == [
        ("GALA N-4", (2, 4), ("Gala North 4",)),
        ("Home", (5,), ()),
    ]
    assert found.rows_out == 3
    answers = Answers(names={("block", "gala n-4"): "Gala North 4"})
    found = understood(path, "tickets", answers)
    assert [row.line for row in found.table.rows] == [2, 3, 4]
    assert [one.written for one in found.names_asked] == ["Home"]


def test_what_was_said_before_holds_until_the_block_is_gone(tmp_path: Path) -> None:
    path = paper(tmp_path, "ticket,block,picked_on,bins\nT1,Gala n-4,2026-09-03,2\n")
    said = NameMapping(
        kind="block",
        written="GALA N-4",
        meant="Gala North 4",
        who="Ana",
        at=datetime(2026, 9, 3, tzinfo=UTC),
    )
    found = understood(path, "tickets", before=remembered([said]))
    assert [(one.meant, one.said) for one in found.names_used] == [("Gala North 4", said)]
    gone = understood(path, "tickets", before=remembered([replace(said, meant="Gala West")]))
    assert gone.names_asked
    assert not gone.table.rows


def test_a_lot_stays_out_as_a_whole_where_one_of_its_names_is_unknown(tmp_path: Path) -> None:
    text = (
        "lot,packed_on,size_class,cartons\nL1,2026-09-10,88,10\nL1,2026-09-10,eighty,5\n"
        "L2,2026-09-10,100,7\n"
    )
    found = understood(paper(tmp_path, text), "packed")
    assert [row.line for row in found.table.rows] == [4]
    assert found.held_back == (2,)
    assert found.rows_out == 2


def test_words_of_a_register_are_understood_in_three_languages(tmp_path: Path) -> None:
    words = ("Productivo", "falla", "Polinizante", "jeune", "manquant", "misterio")
    lines = (f"Fuji Slope;1;{n};{word}\n" for n, word in enumerate(words, start=1))
    text = "cuartel;hilera;árbol;estado\n" + "".join(lines)
    found = understood(paper(tmp_path, text), "register")
    kinds = [one.kind.value for one in KINDS["register"].read(found.table).rows]
    assert kinds == ["bearing", "missing", "pollinizer", "replant", "missing"]
    assert [(one.written, one.choices) for one in found.names_asked] == [
        ("misterio", FEW_WORDS["tree_kind"])
    ]
    assert values_called("tree_kind")["gap"] == "missing"


# ---------------------------------------------------------------- columns


def test_a_column_twice_counts_once_unless_a_person_says_which(tmp_path: Path) -> None:
    path = paper(
        tmp_path, "Block;Row;Tree;Date;Date;Diam mm\nFuji Slope;1;2;2026-07-22;2026-07-29;70\n"
    )
    found = understood(path, "calipers")
    assert [(one.label, one.why) for one in found.columns if one.label.startswith("Date")] == [
        ("Date", Why.WORD),
        ("Date #5", Why.TWICE),
    ]
    other = understood(path, "calipers", Answers(columns={"Date #5": "measured_on"}))
    assert other.table.rows[0].cells["measured_on"] == "2026-07-29"


def test_a_column_that_must_be_there_and_is_not_is_asked(tmp_path: Path) -> None:
    path = paper(tmp_path, "Block;Reihe;Tree;Date;Diam mm\nFuji Slope;1;2;2026-07-22;70\n")
    found = understood(path, "calipers")
    assert found.lacking == ("row",)
    assert found.must_ask
    assert not understood(path, "calipers", Answers(columns={"Reihe": "row"})).must_ask


def test_columns_are_remembered_for_the_same_header_of_the_same_kind(tmp_path: Path) -> None:
    path = paper(tmp_path, "Block;Reihe;Tree;Date;Diam mm\nFuji Slope;1;2;2026-07-22;70\n")
    said = NameMapping(
        kind="table calipers",
        written="Block | Reihe | Tree | Date | Diam mm",
        meant='{"Reihe": "row"}',
        who="Ana",
        at=datetime(2026, 7, 22, tzinfo=UTC),
    )
    found = understood(path, "calipers", before=remembered([said]))
    assert not found.must_ask
    assert [one.said for one in found.columns if one.label == "Reihe"] == [said]
    assert understood(path, "hand_counts", before=remembered([said])).lacking


def test_readers_take_a_table_only_with_its_columns() -> None:
    with pytest.raises(FieldDataError, match="has no column 'row'"):
        KINDS["register"].read(CsvFile(name="x", columns=("block", "position"), rows=()))


def test_a_column_that_lacks_is_sought_among_those_that_nobody_knows() -> None:
    for columns, fix in (
        (
            ("variety", "per_cartn"),
            "Is it the column 'per_cartn'? Then name that one 'per_carton'.",
        ),
        (("variety", "grade"), "Add it to the header."),
    ):
        with pytest.raises(FieldDataError, match="has no column 'per_carton'") as told:
            KINDS["prices"].read(CsvFile(name="x", columns=columns, rows=()))
        assert told.value.fix == fix

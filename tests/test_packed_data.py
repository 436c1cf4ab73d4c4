"""Tables of the packing house: bin tickets, packed lots, whose bins a lot is made of."""

from datetime import date
from pathlib import Path

import pytest

from fruitvision.domain import BinTicket, CulledFruit, LotPart, PackedCartons, PackedLot
from fruitvision.errors import FieldDataError
from fruitvision.packed_data import read_lot_parts, read_packed, read_tickets, with_parts


def table(folder: Path, text: str) -> Path:
    path = folder / "table.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_tickets_are_read_with_pass_and_lot_where_they_stand(tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "ticket,block,picked_on,bins,pass,lot\n"
        '1001,Gala North,2026-09-03,12,1,L7\n1002,Gala North,2026-09-04,"8,5",,\n',
    )
    found = read_tickets(path)
    assert found.refused == ()
    assert found.rows == (
        BinTicket(
            ticket="1001",
            block_id="Gala North",
            picked_on=date(2026, 9, 3),
            bins=12.0,
            pass_number=1,
            lot="L7",
        ),
        BinTicket(ticket="1002", block_id="Gala North", picked_on=date(2026, 9, 4), bins=8.5),
    )


def test_names_mean_what_they_were_mapped_to(tmp_path: Path) -> None:
    path = table(tmp_path, "ticket,block,picked_on,bins\n1,GALA N-4,2026-09-03,12\n")
    (ticket,) = read_tickets(
        path, meant=lambda kind, name: {("block", "GALA N-4"): "Gala North 4"}[kind, name]
    ).rows
    assert ticket.block_id == "Gala North 4"


def test_tickets_that_make_no_sense_are_refused_by_line(tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "ticket,block,picked_on,bins,pass\n"
        "1,Gala North,2026-09-03,0,\n2,Gala North,2026-09-03,4000,\n3,,2026-09-03,4,\n"
        "4,Gala North,3.9.,4,\n5,Gala North,2026-09-03,4,0\n6,Gala North,2026-09-03,4,\n"
        "6,Gala North,2026-09-03,5,\n7,Gala North,2026-09-03,nan,\n",
    )
    found = read_tickets(path)
    assert found.rows == ()
    assert [row.line for row in found.refused] == [2, 3, 4, 5, 6, 7, 8, 9]
    assert "Ticket 6 stands on lines 7 and 8" in found.refused[5].what


LOT = (
    "lot,packed_on,block,bins,variety,size_table,size_class,grade,cartons,cull_cause,culled_kg,"
    "fruit_per_bin\n"
    "L7,2026-10-01,Gala North,20,Gala,box_counts_42lb,113,first,120,,,2400\n"
    "L7,,,,,,125,first,80,,,\n"
    "L7,,,,,,125,second,10,,,\n"
    "L7,,,,,,,,,bruise,900,\n"
    "L7,,,,,,,,,,450,\n"
)


def test_a_lot_is_put_together_of_its_lines(tmp_path: Path) -> None:
    found = read_packed(table(tmp_path, LOT))
    assert found.refused == ()
    assert found.lines == (2,)
    assert found.rows == (
        PackedLot(
            lot="L7",
            packed_on=date(2026, 10, 1),
            variety="Gala",
            size_table="box_counts_42lb",
            parts=(LotPart(block_id="Gala North", bins=20.0),),
            cartons=(
                PackedCartons(size_class="113", cartons=120.0, grade="first"),
                PackedCartons(size_class="125", cartons=80.0, grade="first"),
                PackedCartons(size_class="125", cartons=10.0, grade="second"),
            ),
            culled=(CulledFruit(cause="bruise", kg=900.0), CulledFruit(cause="", kg=450.0)),
            fruit_per_bin=2400.0,
        ),
    )


def test_a_lot_with_a_refused_line_stays_out_as_a_whole(tmp_path: Path) -> None:
    text = LOT + "L8,2026-10-02,,,,,113,first,9,,,\n"
    found = read_packed(table(tmp_path, text.replace("first,80", "first,many")))
    assert [lot.lot for lot in found.rows] == ["L8"]
    assert sorted(row.line for row in found.refused) == [2, 3, 4, 5, 6]
    assert "Another line of lot L7 was refused." in found.refused[0].what


def test_lines_that_contradict_each_other_refuse_their_lot(tmp_path: Path) -> None:
    twice = LOT.replace("L7,,,,,,125,second", "L7,2026-10-02,,,,,125,second")
    found = read_packed(table(tmp_path, twice))
    assert found.rows == ()
    assert any("more than one packed_on" in row.what for row in found.refused)
    other_block = LOT.replace("L7,,,,,,125,second", "L7,,Gala South,4,,,125,second")
    found = read_packed(table(tmp_path, other_block))
    assert found.rows == ()
    assert any("lots.csv" in row.fix for row in found.refused)


def test_a_class_that_stands_twice_is_asked_about_not_added(tmp_path: Path) -> None:
    found = read_packed(table(tmp_path, LOT + "L7,,,,,,113,FIRST,7,,,\n"))
    assert found.rows == ()
    assert any("Add them up" in row.fix for row in found.refused)


def test_pounds_come_in_as_kilograms(tmp_path: Path) -> None:
    text = "lot,packed_on,culled_lb,bin_lb\nL1,2026-10-01,1000,840\n"
    (lot,) = read_packed(table(tmp_path, text)).rows
    assert lot.culled[0].kg == pytest.approx(453.59237)
    # Ontario, bin requirements: 840 lb = 381 kg.
    assert lot.bin_kg == pytest.approx(381.0, abs=0.1)


def test_bins_by_block_make_a_mixed_lot(tmp_path: Path) -> None:
    parts = read_lot_parts(
        table(tmp_path, "lot,block,bins,pass\nL7,Gala North,12,1\nL7,Gala South,8,\n")
    )
    lot = PackedLot(lot="L7", packed_on=date(2026, 10, 1))
    (mixed,) = with_parts([lot], parts.rows)
    assert mixed.parts == (
        LotPart(block_id="Gala North", bins=12.0, pass_number=1),
        LotPart(block_id="Gala South", bins=8.0),
    )
    assert with_parts([PackedLot(lot="L9", packed_on=lot.packed_on)], parts.rows)[0].parts == ()


def test_a_table_without_its_columns_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FieldDataError, match="packed_on"):
        read_packed(table(tmp_path, "lot,size_class,cartons\nL1,113,5\n"))

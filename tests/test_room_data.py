"""Cold rooms from a table: what is read, what is refused, what is kept."""

from __future__ import annotations

from pathlib import Path

from fruitvision.domain import ColdRoom, ThingKind
from fruitvision.pipeline.office import load_tables
from fruitvision.room_data import read_rooms
from fruitvision.store import open_farm
from tests.walked_farm import add_block


def table(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "rooms.csv"
    path.write_text(text)
    return path


def test_rooms_are_read_with_the_usual_share_where_none_is_given(tmp_path: Path) -> None:
    path = table(tmp_path, "room,bins,daily_share,variety\nNorth,500,,\nSouth,1 200,0.15,Gala\n")
    assert read_rooms(path).rows == (
        ColdRoom(name="North", bins=500, daily_share=0.10),
        ColdRoom(name="South", bins=1200, daily_share=0.15, variety="Gala"),
    )


def test_lines_that_make_no_sense_are_refused_one_by_one(tmp_path: Path) -> None:
    lines = [
        "room,bins,daily_share",
        "A,0,",
        "B,many,",
        "C,10,12",
        ",10,",
        "D,10,",
        "d,11,",
        "E,9,",
    ]
    found = read_rooms(table(tmp_path, "\n".join(lines)))
    assert [room.name for room in found.rows] == ["E"]
    words = [f"{one.what} {one.fix}" for one in found.refused]
    assert len(words) == 6
    assert words[0].startswith("bins is 0")
    assert "daily_share is 12. It is a share: above 0, up to 1." in words[2]


def test_a_table_of_rooms_has_the_last_word_and_leaves_other_rooms(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        block = add_block(store, "Hill")
        first = table(tmp_path, "room,bins\nNorth,500\nSouth,300\n")
        rows, refused = load_tables({"rooms": first}, store, [block], who="Ines")
        assert (rows.words, refused) == ("2 cold rooms", ())
        second = table(tmp_path, "room,bins,variety\nNorth,600,Gala\nWest,5,Fuji\n")
        rows, refused = load_tables({"rooms": second}, store, [block], who="Paul")
        assert rows.rooms == 1
        assert "No block is of variety 'Fuji'." in refused[0].what
        assert store.cold_rooms() == (
            ColdRoom(name="North", bins=600, variety="Gala"),
            ColdRoom(name="South", bins=300),
        )
        assert [one.who for one in store.changes(kind=ThingKind.COLD_ROOM)] == [
            "Paul", "Ines", "Ines",
        ]  # fmt: skip

"""Every fruit of a farm as one table: Parquet and CSV alike, and never all of it in memory."""

from __future__ import annotations

import csv
import weakref
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from fruitvision.domain import RemovedFruit
from fruitvision.errors import FieldDataError
from fruitvision.export import fruit_table
from fruitvision.export.fruit_table import COLUMNS, FruitRow, write_fruit_table
from fruitvision.pipeline.fruit_rows import fruit_rows
from fruitvision.pipeline.photos import Refused
from fruitvision.store import FarmStore, open_farm
from tests.test_bad_input import run
from tests.walked_farm import SETTINGS, add_block, add_walk, present

MADE_ON = date(2026, 8, 20)


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FarmStore]:
    with open_farm(tmp_path_factory.mktemp("base") / "farm", name="Larkhill") as store:
        for name in ("Hill", "=Mill"):
            add_block(store, name)
            add_walk(store, name)
        yield store


def rows_of(store: FarmStore) -> tuple[list[FruitRow], list[Refused]]:
    left_out: list[Refused] = []
    return list(fruit_rows(store, SETTINGS, left_out=left_out)), left_out


def write(store: FarmStore, path: Path) -> int:
    left_out: list[Refused] = []
    rows = fruit_rows(store, SETTINGS, left_out=left_out)
    return write_fruit_table(rows, path, farm=store.farm_name, made_on=MADE_ON)


def read_csv(path: Path) -> list[dict[str, Any]]:
    """Rows of the CSV with the kinds of the columns."""
    kinds = {field.name: str(field.type).split(" ")[0] for field in fields(FruitRow)}
    made = {
        "str": lambda text: text.removeprefix("'") if text[1:2] in tuple("=+-@") else text,
        "int": int,
        "float": lambda text: float(text) if text else None,
        "bool": {"true": True, "false": False}.__getitem__,
        "date": date.fromisoformat,
    }
    with path.open(encoding="utf-8", newline="") as stream:
        return [
            {name: made[kinds[name]](text) for name, text in row.items()}
            for row in csv.DictReader(stream)
        ]


def test_csv_and_parquet_hold_every_fruit_with_the_same_values(
    farm: FarmStore, tmp_path: Path
) -> None:
    written = {write(farm, tmp_path / f"fruit{end}") for end in (".csv", ".parquet")}
    photos = farm.measured_photos()
    assert written == {sum(len(photo.fruit) for photo in photos)}
    table = pq.read_table(tmp_path / "fruit.parquet")
    assert tuple(table.column_names) == COLUMNS
    assert table.schema.metadata == {b"farm": b"Larkhill", b"made_on": b"2026-08-20"}
    rows = table.to_pylist()
    assert rows == read_csv(tmp_path / "fruit.csv")
    # Against the records themselves: nothing is lost or put to another tree.
    trees = {one.photo_id: one for one in farm.tree_photos()}
    known = {
        (photo.photo.photo_id, fruit.fruit_id): (trees[photo.photo.photo_id], fruit)
        for photo in photos
        for fruit in photo.fruit
    }
    assert len(known) == len(rows)
    for row in rows:
        placed, fruit = known[row["photo_sha256"], row["fruit_id"]]
        assert (row["block"], row["row"], row["position"], row["face"]) == (
            placed.tree.block_id,
            placed.tree.row,
            placed.tree.position,
            placed.face,
        )
        assert row["diameter_mm"] == pytest.approx(fruit.diameter_mm, abs=0.005)
        assert row["diameter_error_mm"] == pytest.approx(fruit.diameter_error_mm, abs=0.005)
        assert row["counted"] == fruit.on_this_row


def test_columns_carry_units_and_no_place_on_the_map() -> None:
    numbers = {
        field.name
        for field in fields(FruitRow)
        if "float" in str(field.type) and field.name not in ("visible_share", "score")
    }
    assert all(name.rsplit("_", 1)[1] in ("px", "mm", "deg") for name in numbers)
    assert not {name for name in COLUMNS if "latitude" in name or "longitude" in name}


def test_only_a_piece_is_held_at_a_time(
    farm: FarmStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Counted(FruitRow):
        """A row that is known to be alive."""

        __slots__ = ("__weakref__",)

    pattern = rows_of(farm)[0][0]
    plain = {name: getattr(pattern, name) for name in COLUMNS}
    alive: set[int] = set()
    most = 0

    def rows() -> Iterator[FruitRow]:
        nonlocal most
        for number in range(1000):
            row = Counted(**{**plain, "position": number})
            alive.add(number)
            weakref.finalize(row, alive.discard, number)
            most = max(most, len(alive))
            yield row

    monkeypatch.setattr(fruit_table, "PIECE_ROWS", 50)
    for end in (".csv", ".parquet"):
        done = write_fruit_table(rows(), tmp_path / f"f{end}", farm="", made_on=MADE_ON)
        assert done == 1000
        assert most <= 102
    groups = pq.ParquetFile(tmp_path / "f.parquet").metadata
    assert (groups.num_row_groups, groups.num_rows) == (20, 1000)
    assert pq.read_table(tmp_path / "f.parquet")["position"].to_pylist() == list(range(1000))


def test_edits_count_and_what_is_not_measured_is_named(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as store:
        add_block(store, "Hill")
        trees = add_walk(store, "Hill")
        before, _ = rows_of(store)
        one = before[0]
        wrong = RemovedFruit(x_px=one.centre_x_px, y_px=one.centre_y_px)
        at = datetime(2026, 8, 13, tzinfo=UTC)
        store.save_photo_edits(one.photo_sha256, [wrong], made_by="Ines", made_at=at)
        after, left_out = rows_of(store)
        assert next(row for row in before if row not in after) == one
        assert len(after) == len(before) - 1
        assert left_out == []
        # Photos that another detector measured.
        other = replace(present(), detector="other 1")
        add_walk(store, "Hill", day=date(2026, 8, 30), trees=trees[:1], origin=other)
        again, left_out = rows_of(store)
        assert again == after
        assert [one.name for one in left_out] == [
            f"Hill row 1 tree 1, face {face}" for face in "AB"
        ]


def test_the_command(farm: FarmStore, tmp_path: Path) -> None:
    out = tmp_path / "fruit.parquet"
    status, text = run("fruit", "--farm", str(farm.folder), "--out", str(out))
    assert status == 0, text
    assert f"{pq.read_metadata(out).num_rows:,} fruit." in text
    status, text = run("fruit", "--farm", str(farm.folder), "--out", str(tmp_path / "fruit.xls"))
    assert status == 2
    assert "End its name in .parquet or .csv." in text
    with pytest.raises(FieldDataError):
        write(farm, tmp_path / "fruit")


def test_an_empty_farm_is_an_empty_table(tmp_path: Path) -> None:
    with open_farm(tmp_path / "farm") as store:
        for end in (".csv", ".parquet"):
            assert write(store, tmp_path / f"f{end}") == 0
    assert pq.read_table(tmp_path / "f.parquet").num_rows == 0
    assert (tmp_path / "f.csv").read_text() == ",".join(COLUMNS) + "\n"

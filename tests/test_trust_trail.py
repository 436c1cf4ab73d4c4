"""Who changed what: all of it in one list, also accounts, and nothing in the program alters it."""

from __future__ import annotations

import ast
import csv
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from typer.testing import CliRunner

import fruitvision
from fruitvision.accounts import AccountBook, Role, book
from fruitvision.cli import cli
from fruitvision.domain import (
    FrozenForecast,
    HandCount,
    JobKind,
    PointedReference,
    ReferenceKind,
    RemovedFruit,
    ThingKind,
    TreeKind,
)
from fruitvision.errors import AccountError, StoreError
from fruitvision.pipeline.block_entries import save_block
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.pipeline.people import noted
from fruitvision.pipeline.references import keep_pointed
from fruitvision.pipeline.trail import trail, write_trail
from fruitvision.pipeline.walking import say_found
from fruitvision.store import DATABASE_NAME, FarmStore, open_farm
from tests import records

AT = datetime(2026, 9, 1, 7, 30, tzinfo=UTC)
WORDS = "kettle moss lantern"
HASH = "ab" * 32


@pytest.fixture(autouse=True)
def _cheap_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(book, "_hasher", lambda: cheap)
    book._no_ones_hash.cache_clear()


@pytest.fixture
def farm(tmp_path: Path) -> FarmStore:
    return open_farm(tmp_path / "farm")


def run(*arguments: object, said: str = "") -> tuple[int, str]:
    result = CliRunner().invoke(cli, [str(one) for one in arguments], input=said)
    return result.exit_code, result.output


def test_every_kind_of_act_is_in_the_list_with_who_and_what_was_before(farm: FarmStore) -> None:
    block = records.block()
    save_block(block, None, farm, who="Ana")
    save_block(replace(block, missing=4), block, farm, who="Ben")
    count = HandCount(tree=records.tree_id(1), fruit_count=90, counted_on=date(2026, 8, 12))
    save_hand_count(count, None, farm, who="Ana")
    say_found(farm, records.tree_id(2), TreeKind.MISSING, on=date(2026, 8, 12), who="Cleo")
    ball = PointedReference(kind=ReferenceKind.BALL, size_mm=70.0, box_px=(1.0, 2.0, 41.0, 42.0))
    keep_pointed(HASH, [ball], farm, who="Dan")
    keep_pointed(HASH, [ball], farm, who="Eve")
    made = [RemovedFruit(x_px=10.0, y_px=20.0)]
    (edit,) = farm.save_photo_edits(HASH, made, made_by="Fay", made_at=AT)
    farm.undo_photo_edit(edit.number, undone_by="Gil", undone_at=AT + timedelta(hours=1))
    frozen = FrozenForecast(forecast_id="f" * 64, frozen_by="Hue", frozen_at=AT, note="for Lark")
    farm.save_frozen_forecast(frozen)
    farm.ask_job(JobKind.MEASURE, by="Ida", at=AT, names={HASH: "a.jpg"})
    noted(AccountBook(farm.folder), farm, who="Jon").add("Kim", Role.MANAGER, WORDS, at=AT)
    told = {(line.who, line.what) for line in trail(farm)}
    assert told == {
        ("Ana", "block: new"),
        ("Ben", "block: changed"),
        ("Ana", "hand count: new"),
        ("Cleo", "place: new"),
        ("Dan", "references: new"),
        ("Fay", "photo: edited"),
        ("Gil", "photo: edit undone"),
        ("Hue", "forecast: frozen for sales"),
        ("Ida", "work: asked to measure"),
        ("Jon", "account: new"),
    }
    [ben] = trail(farm, who="BEN")
    assert [(one.field, one.before, one.after) for one in ben.fields] == [("missing", "0", "4")]
    assert ben.kept_as == "change 2"
    times = [line.at for line in trail(farm)]
    assert times == sorted(times, reverse=True)
    assert {one.who for one in trail(farm, since=AT + timedelta(minutes=1))} >= {"Gil"}
    assert "Hue" not in {one.who for one in trail(farm, since=AT + timedelta(minutes=1))}


def test_the_table_has_a_row_a_field_and_is_no_formula(farm: FarmStore, tmp_path: Path) -> None:
    block = records.block()
    save_block(block, None, farm, who="=HYPERLINK(1)")
    save_block(replace(block, missing=4, pollinizers=2), block, farm, who="Ben")
    save_block(block, replace(block, missing=4, pollinizers=2), farm, who="Ben")
    write_trail(trail(farm), tmp_path / "changes.csv")
    with (tmp_path / "changes.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    ben = [row for row in rows if row["who"] == "Ben"]
    assert {(row["field"], row["before"], row["after"]) for row in ben} == {
        ("missing", "0", "4"),
        ("pollinizers", "0", "2"),
        ("missing", "4", "0"),
        ("pollinizers", "2", "0"),
    }
    assert {row["who"] for row in rows} == {"Ben", "'=HYPERLINK(1)"}


def test_the_command_prints_and_writes_what_a_person_did(tmp_path: Path) -> None:
    folder = tmp_path / "farm"
    with open_farm(folder) as store:
        save_block(records.block(), None, store, who="Ana")
        save_block(replace(records.block(), missing=4), records.block(), store, who="Ben")
    status, told = run("changes", "--farm", folder)
    assert status == 0
    assert told.index("Ana, block: new") < told.index("missing: 0 → 4")
    out = tmp_path / "changes.csv"
    assert run("changes", "--farm", folder, "--who", "ben", "--out", out)[0] == 0
    assert "Ana" not in out.read_text(encoding="utf-8")
    assert "Nothing" in run("changes", "--farm", folder, "--since", "2200-01-01")[1]


def test_a_password_is_never_in_it_and_its_change_is(tmp_path: Path) -> None:
    folder = tmp_path / "farm"
    with open_farm(folder):
        pass
    farm = ("--farm", folder)
    told = ("--password-from", "-", "--by", "Root")
    assert run("people", "add", "Ines", "--role", "manager", *farm, *told, said=WORDS)[0] == 0
    assert run("people", "add", "Teo", *farm, *told, said=WORDS)[0] == 0
    assert run("people", "role", "Teo", "sales", *farm, "--by", "Ines")[0] == 0
    assert run("people", "password", "Teo", *farm, *told, said="copper river gate")[0] == 0
    assert run("people", "remove", "Teo", *farm)[0] == 0
    # What is refused changes nothing and is not told.
    assert run("people", "remove", "Ines", *farm)[0] == 0
    assert run("people", "role", "Nobody", "sales", *farm)[0] != 0
    with open_farm(folder) as store:
        kept = store.changes(kind=ThingKind.ACCOUNT)
    first_to_last = list(reversed(kept))
    assert [(one.about, [field.name for field in one.fields]) for one in first_to_last] == [
        ("Ines", ["role", "changed_at"]),
        ("Teo", ["role", "changed_at"]),
        ("Teo", ["role", "changed_at"]),
        ("Teo", ["changed_at"]),
        ("Teo", ["role", "changed_at"]),
        ("Ines", ["role", "changed_at"]),
    ]
    assert [one.who for one in first_to_last][:3] == ["Root", "Root", "Ines"]
    assert "argon2" not in str(kept)
    assert "copper" not in str(kept)


def test_no_account_is_changed_where_the_change_cannot_be_kept(farm: FarmStore) -> None:
    accounts = noted(AccountBook(farm.folder), farm.for_a_reader(), who="Ana")
    with pytest.raises(StoreError, match="change nothing"):
        accounts.add("Ines", Role.MANAGER, WORDS, at=AT)
    assert AccountBook(farm.folder).accounts() == ()
    with pytest.raises(AccountError, match="No manager"):
        noted(AccountBook(farm.folder), farm, who="Ana").add("Ines", Role.SCOUT, WORDS, at=AT)
    assert farm.changes() == ()


# ---------------------------------------------------------------- nothing alters it

KEPT_FOR_GOOD = ("change", "frozen_forecast", "learned_choice")


def _calls(tree: ast.AST, names: Sequence[str]) -> list[Any]:
    return [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and (getattr(node.func, "id", None) or getattr(node.func, "attr", None)) in names
    ]


def _alters(source: str) -> list[str]:
    """Tables of `KEPT_FOR_GOOD` that a module deletes from, updates or upserts into."""
    found = []
    for call in _calls(ast.parse(source), ("delete", "update", "upsert", "_upsert")):
        named = {getattr(one, "id", getattr(one, "attr", "")) for one in call.args}
        found += [name for name in KEPT_FOR_GOOD if name in named]
    return found


def test_no_code_updates_or_deletes_what_was_kept_of_changes() -> None:
    """But for a season that is deleted for good, which leaves a line of its own."""
    package = Path(fruitvision.__file__).parent
    for path in {*(package / "store").rglob("*.py")} - {package / "store" / "season_off.py"}:
        assert _alters(path.read_text(encoding="utf-8")) == [], path.name
    assert _alters("connection.execute(delete(change).where(x))") == ["change"]
    assert _alters("update(changes.change)") == ["change"]


def test_a_block_and_a_season_that_are_taken_off_take_no_change_along(farm: FarmStore) -> None:
    block = records.block()
    save_block(block, None, farm, who="Ana")
    held = farm.hanging_on(block.block_id)
    farm.take_block_off(block.block_id, expected=held, who="Ben", at=AT)
    assert [one.who for one in farm.changes()] == ["Ben", "Ana"]


def test_a_kind_of_change_that_a_newer_program_made_is_said(farm: FarmStore) -> None:
    save_block(records.block(), None, farm, who="Ana")
    with closing(sqlite3.connect(farm.folder / DATABASE_NAME)) as connection:
        connection.execute("UPDATE change SET kind = 'balloon'")
        connection.commit()
    with pytest.raises(StoreError, match="Change 1 is of a newer fruitvision") as caught:
        trail(farm)
    assert caught.value.fix == "Update fruitvision."

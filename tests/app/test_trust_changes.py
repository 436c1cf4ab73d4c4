"""The list of changes on the page, and who may take all of it out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from app.changes import CHANGES_NAME, _write_all
from fruitvision.accounts import AccountBook, Role, book
from fruitvision.domain import PointedReference, ReferenceKind, TreeKind
from fruitvision.pipeline.block_entries import save_block
from fruitvision.pipeline.people import noted
from fruitvision.pipeline.references import keep_pointed
from fruitvision.pipeline.walking import say_found
from fruitvision.store import open_farm
from tests import records
from tests.app.pages import page

AT = datetime(2026, 9, 1, 7, 30, tzinfo=UTC)


@pytest.fixture
def changed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(book, "_hasher", lambda: cheap)
    with open_farm(folder) as store:
        save_block(records.block(), None, store, who="Ana")
        save_block(replace(records.block(), missing=4), records.block(), store, who="Ben")
        accounts = noted(AccountBook(folder), store, who="Cleo")
        accounts.add("Kim", Role.MANAGER, "kettle moss lantern", at=AT)
        accounts.set_password("Kim", "copper river gate", at=AT.replace(hour=9))
        ball = PointedReference(kind=ReferenceKind.BALL, size_mm=70.0, box_px=(1.0, 2.0, 9.0, 9.0))
        keep_pointed("ab" * 32, [ball], store, who="Dan")
        say_found(store, records.tree_id(2), TreeKind.MISSING, on=date(2026, 8, 12), who="Eve")
    return folder


def _labels(app: object) -> list[str]:
    return [button.label for button in app.get("download_button")]  # type: ignore[attr-defined]


def test_the_page_lists_what_people_changed_and_gives_all_of_it(changed: Path) -> None:
    app = page("setup")
    assert not app.exception
    shown = "\n".join(str(cell) for table in app.table for cell in table.value.to_numpy().ravel())
    for who in ("Ana", "Ben", "Cleo", "Dan", "Eve"):
        assert who in shown
    assert "the account of Kim" in shown
    assert "May everything" in shown
    assert "Found there no tree" in shown
    assert "All changes (CSV)" in _labels(app)
    with open_farm(changed) as store:
        _write_all(store, changed.parent / CHANGES_NAME)
    rows = (changed.parent / CHANGES_NAME).read_text(encoding="utf-8").splitlines()
    assert rows[0].startswith("at_utc,who,what")
    assert any("Ben,block: changed" in row for row in rows)


@pytest.mark.parametrize("role", [Role.SCOUT, Role.READER, Role.SALES])
def test_only_a_manager_takes_all_names_out(
    changed: Path, role: Role, monkeypatch: pytest.MonkeyPatch
) -> None:
    from streamlit.testing.v1 import AppTest

    monkeypatch.setattr("app.session.role", lambda: role)

    def listed() -> None:
        from app import changes, session

        changes.latest_changes(session.farm())

    app = AppTest.from_function(listed, default_timeout=30).run()
    assert not app.exception
    assert "All changes (CSV)" not in _labels(app)

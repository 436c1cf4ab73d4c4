"""Numbers that are older than the farm's entries say so, on every page that has them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from app import session
from fruitvision.accounts import Role
from fruitvision.domain import HandCount, Protocol, TreeId
from fruitvision.pipeline import forecast_farm
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import open_farm
from tests.app.pages import block_page, page, text
from tests.app.test_blocks import cell_texts, tables
from tests.records import BLOCK_ID, PICK, WALK, block

LATER = date(2026, 10, 20)
PAGES = ("forecast", "blocks", "sales")
OLDER = "are older than what is known now."


@pytest.fixture
def made(filled: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A farm with a forecast of the present."""
    monkeypatch.setattr(session, "today", lambda: WALK)
    with open_farm(filled) as store:
        forecast_farm(store, load_size_table("classes_5mm"), Settings(), made_on=WALK)
    return filled


@pytest.mark.parametrize("name", PAGES)
def test_a_forecast_of_the_present_is_not_called_old(made: Path, name: str) -> None:
    shown = text(page(name))
    assert OLDER not in shown
    assert "old: " not in shown


@pytest.mark.parametrize("name", PAGES)
def test_a_new_pick_date_is_told_beside_the_numbers_of_the_old_one(made: Path, name: str) -> None:
    with open_farm(made) as store:
        store.save_blocks([replace(block(), pick_date=LATER)])
    app = page(name)
    assert not app.exception
    shown = text(app)
    assert OLDER in shown
    assert f"was for a pick on {PICK.day} Sep 2026, now it is 20 Oct 2026" in shown
    if name == "blocks":
        assert f"old: for a pick on {PICK.day} Sep 2026" in cell_texts(tables(app))
    else:
        assert f"This version is for these picks: Gala North {PICK.day} Sep 2026" in shown


def test_a_new_hand_count_is_told_on_the_list_and_on_the_block(made: Path) -> None:
    with open_farm(made) as store:
        store.save_hand_counts(
            [
                HandCount(
                    tree=TreeId(BLOCK_ID, 1, 1),
                    fruit_count=70,
                    counted_on=WALK,
                    protocol=Protocol.TWO_FACES,
                )
            ]
        )
    for app in (page("blocks"), block_page(), page("forecast")):
        assert "hand counts (Gala North)" in text(app)


def test_settings_that_changed_are_named(made: Path) -> None:
    with open_farm(made) as store:
        store.save_farm(replace(store.farm(), settings_text="drop_share = 0.2\n"))
    assert "settings (" in text(page("forecast"))


@pytest.mark.parametrize(
    ("role", "then"),
    [
        (Role.MANAGER, "Make a new forecast."),
        (Role.SALES, "A manager makes a new forecast."),
        (Role.READER, "A manager makes a new forecast."),
    ],
)
def test_who_can_make_no_forecast_is_not_told_to(
    made: Path, monkeypatch: pytest.MonkeyPatch, role: Role, then: str
) -> None:
    with open_farm(made) as store:
        store.save_blocks([replace(block(), pick_date=LATER)])
    monkeypatch.setattr("app.session.role", lambda: role)
    (told,) = (one.value for one in page("sales").warning if OLDER in one.value)
    assert told.endswith(f" {then}")

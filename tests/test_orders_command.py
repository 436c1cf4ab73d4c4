"""`fruitvision orders` on a farm of known trees."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from fruitvision.domain import Pick, PickPlan
from fruitvision.store import open_farm
from tests.test_bad_input import run
from tests.walked_farm import SETTINGS, add_good_block

HEAD = "customer,variety,classes,week,cartons,kind"


@pytest.fixture(autouse=True)
def _before_the_pick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The commands run on a day on which all still hangs."""
    monkeypatch.setenv("FRUITVISION_TODAY", "2026-08-20")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "Hill")
        picks = (Pick(pick_date=date(2026, 9, 3), share=1.0),)
        store.save_pick_plan("Hill", PickPlan(picks=picks))
    return tmp_path / "farm"


def orders(folder: Path, command: str, *more: str) -> tuple[int, str]:
    return run("orders", command, *more, "--farm", str(folder))


def book(folder: Path, *rows: str) -> str:
    path = folder / "orders.csv"
    path.write_text("\n".join((HEAD, *rows)) + "\n", encoding="utf-8")
    return str(path)


def make(folder: Path) -> None:
    (folder / "s.toml").write_text(f"draws = {SETTINGS.draws}\n")
    status, text = run("forecast", "--farm", str(folder), "--settings", str(folder / "s.toml"))
    assert status == 0, text


def test_a_book_is_loaded_checked_and_told_what_is_short(folder: Path) -> None:
    with open_farm(folder, create=False) as store:
        variety = store.blocks()[0].variety
    rows = (f"C1,{variety},all,2026-W36,1000000,firm", f"C2,{variety},all,2026-W37,5,option")
    status, text = orders(folder, "load", book(folder, *rows))
    assert status == 0
    assert "In the book: 2 lines, in place of 0." in text
    assert "classes and weeks were not checked" in text
    status, text = orders(folder, "check")
    assert status == 2
    assert "There is no forecast yet" in text
    make(folder)
    status, text = orders(folder, "check")
    assert status == 0
    assert "2026-W36" in text
    assert "Oversold (!): 2 lines at P10, 2 at P50." in text
    assert f"C1, {variety} all, 2026-W36, firm: of 1,000,000 short " in text
    assert f"C2, {variety} all, 2026-W37, option: of 5 short 5 at P10, 5 at P50." in text
    assert "taken not to be lost" in text
    assert "A forecast, not an offer" in text
    assert "This forecast is not frozen." in text
    assert run("freeze", "--farm", str(folder), "--by", "Ines")[0] == 0
    text = orders(folder, "check")[1]
    assert "not frozen" not in text
    assert "The farm's passes are not those" not in text
    with open_farm(folder, create=False) as store:
        picks = (Pick(pick_date=date(2026, 9, 9), share=1.0),)
        store.save_pick_plan("Hill", PickPlan(picks=picks))
    assert "The farm's passes are not those of this forecast: Hill." in orders(folder, "check")[1]


def test_wrong_rows_are_named_and_the_rest_comes_in(folder: Path) -> None:
    make(folder)
    with open_farm(folder, create=False) as store:
        made = store.forecasts()[-1]
    variety = made.varieties[0].variety
    name = max(made.varieties[0].classes, key=lambda one: one.cartons.p10).size_class
    good = f"C1,{variety},{name},2026-W36,1,"
    status, text = orders(folder, "load", book(folder, good, f"C2,{variety},900,2026-W36,1,"))
    assert status == 1
    assert "orders.csv, line 3: classes is '900'" in text
    assert "In the book: 1 line, in place of 0." in text
    status, text = orders(folder, "load", book(folder, f"C2,{variety},{name},2026-W36,-1,"))
    assert status == 1
    assert "the book keeps its 1 line." in text
    status, text = orders(folder, "check", "--version", "nothing")
    assert status == 2
    assert "No forecast has the version 'nothing'" in text
    status, text = orders(folder, "check")
    assert status == 0
    assert "Nothing is oversold." in text

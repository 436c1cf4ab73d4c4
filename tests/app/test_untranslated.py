"""Every page in a language of the tests: whatever shows without its marks is untranslated."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from fruitvision.domain import OrderLine, Pick, PickPlan
from fruitvision.forecast.picks import monday_of
from fruitvision.papers.days import DayOrder
from fruitvision.store import open_farm
from tests import records
from tests.app import pseudo
from tests.app.pages import PAGES, fill, page, press, upload, visit

# Names that are the farm's, or of data formats: file names and their columns.
OWN = frozenset(
    {
        "Gala North", "Gala", "English", "Español", "Français", "fruitvision", "Larkhill",
        "walk.csv", "blocks.csv", "caliper_pairs.csv", "hand_counts.csv", "calipers.csv",
        "references.csv", "register", "gaps", "picks", "weighed", "culls", "grades", "blocks",
        "prices", "rooms",
        "block, row, position, fruit_count, counted_on",
        "block, row, position, measured_on, diameter_mm", ".jpg", "mm³", "in³",
    }
)  # fmt: skip


# Names of columns, as they stand in errors about a table.
COLUMNS = ("diameter_mm", "diameter", "position", "measured_on")


@pytest.fixture
def in_marks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pseudo.speak(monkeypatch, tmp_path / "texts")


def opened(name: str) -> AppTest:
    return visit(name, timeout_s=60)


def untranslated(app: AppTest, folder: Path, *more: str) -> dict[str, list[str]]:
    """Texts with words outside of the marks, by these words; `more` are names of the farm too."""
    assert not app.exception
    own = OWN | {*more, str(folder), f"{folder}/photos"}
    found = {text: pseudo.bare(text, own) for _, text in pseudo.shown_texts(app)}
    # A farm without a name has that of its folder.
    return {text: words for text, words in found.items() if words and text != folder.name}


@pytest.mark.usefixtures("in_marks")
@pytest.mark.parametrize("name", PAGES)
def test_an_empty_farm_shows_no_untranslated_text(folder: Path, name: str) -> None:
    assert untranslated(opened(name), folder) == {}


@pytest.mark.usefixtures("in_marks")
@pytest.mark.parametrize("name", PAGES)
def test_a_farm_with_a_walk_shows_no_untranslated_text(filled: Path, name: str) -> None:
    app = opened(name)
    assert untranslated(app, filled) == {}
    for number in range(len(app.toggle)):
        if number < len(app.toggle):
            app.toggle[number].set_value(True)
            app.run()
            assert untranslated(app, filled) == {}


@pytest.fixture
def promised(filled: Path) -> Path:
    """A farm with targets, two forecasts, a plan of two passes and two orders."""
    with open_farm(filled) as store:
        block = replace(records.block(), target_fruit_per_tree=40.0, target_diameter_mm=74.0)
        store.save_blocks([block])
    press(page("forecast"), "Make forecast")
    with open_farm(filled) as store:
        passes = (records.PICK, 0.3), (records.PICK + timedelta(days=7), 0.7)
        picks = tuple(Pick(pick_date=day, share=share) for day, share in passes)
        store.save_pick_plan(records.BLOCK_ID, PickPlan(picks=picks))
        store.save_hand_counts([records.hand_count(n, 4 * (6 + n)) for n in range(1, 6)])
    press(page("forecast"), "Make forecast")
    with open_farm(filled) as store:
        week = monday_of(records.PICK)
        wanted = OrderLine(customer="C1", variety="Gala", classes="all", week=week, cartons=10**5)
        store.save_order_book([wanted, replace(wanted, classes="88", grade="fancy", firm=False)])
    return filled


def test_a_farm_with_forecasts_shows_no_untranslated_text(promised: Path, in_marks: None) -> None:
    found = {}
    for name in ("blocks", "forecast", "sales", "walk"):
        app = opened(name)
        app.query_params["units"] = "us"
        found[name] = untranslated(app.run(), promised, "fancy")
    assert not {name: texts for name, texts in found.items() if texts}


@pytest.mark.usefixtures("in_marks")
def test_what_is_refused_is_said_without_untranslated_text(folder: Path) -> None:
    with open_farm(folder) as store:
        fill(store, pick_date=date(2026, 8, 1))
    app = press(opened("forecast"), "⟦Make forecast⟧")
    assert "before the photos" in app.error[0].value
    assert untranslated(app, folder) == {}


@pytest.mark.usefixtures("in_marks")
def test_a_table_is_asked_about_and_told_without_untranslated_text(filled: Path) -> None:
    rows = (
        "block,Reihe,position,measured_on,diameter_mm,Notes",
        "Gala North,1,1,3/4/2026,700,x",
        "Gala North,1,2,3/4/2026,70,",
        "Gala N,1,3,3/4/2026,71,",
        "Gala North,1,4,3/4/2026,2.4,",
    )
    app = opened("papers")
    upload(app, "⟦Table", ("calipers.csv", "\n".join(rows).encode()))
    own = (*COLUMNS, "Reihe", "Notes", "Gala N", "block")
    assert untranslated(app, filled, *own) == {}
    (row,) = (box for box in app.selectbox if box.label.startswith("⟦Which column is"))
    app = row.set_value("Reihe").run()
    day = next(box for box in app.radio if "3/4/2026" in box.label)
    app = day.set_value(DayOrder.DAY_FIRST).run()
    assert untranslated(app, filled, *own) == {}
    inches = next(box for box in app.radio if "2.4" in box.label)
    app = inches.set_value(True).run()
    name = next(box for box in app.selectbox if box.label.startswith("⟦Block⟧"))
    app = name.set_value("Gala North").run()
    assert untranslated(app, filled, *own) == {}
    (button,) = (one for one in app.button if one.label.startswith("⟦Take these"))
    app = button.click().run()
    assert untranslated(app, filled, *own) == {}
    with open_farm(filled) as store:
        assert len(store.caliper_readings()) == 3

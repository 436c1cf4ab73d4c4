"""Every page in a language of the tests: whatever shows without its marks is untranslated."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from fruitvision.domain import Pick, PickPlan
from fruitvision.store import open_farm
from tests import records
from tests.app import pseudo
from tests.app.pages import MAIN, PAGES, page, press

# Names that are the farm's, or of data formats: file names and their columns.
OWN = frozenset(
    {
        "Gala North", "Gala", "English", "Español", "Français", "fruitvision", "Larkhill",
        "walk.csv", "blocks.csv", "caliper_pairs.csv", "hand_counts.csv", "calipers.csv",
        "references.csv", "register", "gaps", "picks", "weighed", "culls", "grades", "blocks",
        "block, row, position, fruit_count, counted_on",
        "block, row, position, measured_on, diameter_mm", ".jpg", "mm³", "in³",
    }
)  # fmt: skip


@pytest.fixture
def in_marks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pseudo.speak(monkeypatch, tmp_path / "texts")


def opened(name: str) -> AppTest:
    app = AppTest.from_file(str(MAIN), default_timeout=60)
    app = app.run()
    return app if name == "blocks" else app.switch_page(f"screens/{name}.py").run()


def untranslated(app: AppTest, folder: Path) -> dict[str, list[str]]:
    """Texts with words outside of the marks, by these words."""
    assert not app.exception
    own = OWN | {str(folder), f"{folder}/photos"}
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
    """A farm with targets, two forecasts and a plan of two passes."""
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
    return filled


@pytest.mark.parametrize("name", ["blocks", "forecast", "sales", "walk"])
def test_a_farm_with_forecasts_shows_no_untranslated_text(
    promised: Path, in_marks: None, name: str
) -> None:
    assert untranslated(opened(name), promised) == {}

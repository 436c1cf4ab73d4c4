"""Two visitors of one farm, and photos that are measured in the background."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from streamlit.testing.v1 import AppTest

from fruitvision.store import open_farm
from tests import records
from tests.app.pages import MAIN, press, text


def visitor(name: str, page_name: str) -> AppTest:
    app = AppTest.from_file(str(MAIN), default_timeout=30)
    app.query_params["who"] = name
    return app.run().switch_page(f"screens/{page_name}.py").run()


def type_number(app: AppTest, label: str, value: float) -> None:
    next(item for item in app.number_input if item.label == label).set_value(value)


def set_day(app: AppTest, label: str, value: date) -> None:
    next(item for item in app.date_input if item.label == label).set_value(value)


# ---------------------------------------------------------------- two people at once


def test_two_visitors_who_set_the_same_pick_date_are_asked_which_stays(filled: Path) -> None:
    ana, ben = visitor("Ana", "setup"), visitor("Ben", "setup")
    set_day(ana, "Pick date", date(2026, 9, 7))
    press(ana, "Set pick date")
    set_day(ben, "Pick date", date(2026, 9, 10))
    press(ben, "Set pick date")
    assert not ben.exception
    with open_farm(filled) as store:
        assert store.blocks()[0].pick_date == date(2026, 9, 7)
    assert "Ana changed block Gala North while you were typing" in text(ben)
    asked = next(item.value for item in ben.table if "You typed" in item.value)
    assert asked["There now"].tolist() == ["7 Sep 2026"]
    assert asked["You typed"].tolist() == ["10 Sep 2026"]
    press(ben, "Keep what I typed")
    with open_farm(filled) as store:
        assert store.blocks()[0].pick_date == date(2026, 9, 10)
        assert [one.who for one in store.changes()] == ["Ben", "Ana"]
    assert "while you were typing" not in text(ben)


def test_what_is_there_may_stay_and_the_form_then_shows_it(filled: Path) -> None:
    ana, ben = visitor("Ana", "setup"), visitor("Ben", "setup")
    set_day(ana, "Pick date", date(2026, 9, 7))
    press(ana, "Set pick date")
    set_day(ben, "Pick date", date(2026, 9, 10))
    press(ben, "Set pick date")
    press(ben, "Keep what is there")
    with open_farm(filled) as store:
        assert store.blocks()[0].pick_date == date(2026, 9, 7)
    (box,) = (item for item in ben.date_input if item.label == "Pick date")
    assert box.value == date(2026, 9, 7)
    # Ben has now seen what Ana set: his next change is no conflict.
    set_day(ben, "Pick date", date(2026, 9, 12))
    press(ben, "Set pick date")
    with open_farm(filled) as store:
        assert store.blocks()[0].pick_date == date(2026, 9, 12)


def test_two_counts_of_one_tree_are_shown_side_by_side(filled: Path) -> None:
    ana, ben = visitor("Ana", "photos"), visitor("Ben", "photos")
    for app, fruit in ((ana, 61), (ben, 64)):
        type_number(app, "Place in the row", 9)
        type_number(app, "Fruit on the tree", fruit)
        press(app, "Save hand count")
        assert not app.exception
    asked = next(item.value for item in ben.table if "You typed" in item.value)
    assert asked["What"].tolist() == ["Fruit counted"]
    assert asked["There now"].tolist() == ["61"]
    assert asked["You typed"].tolist() == ["64"]
    with open_farm(filled) as store:
        assert store.hand_counts()[-1].fruit_count == 61
    press(ben, "Keep what I typed")
    with open_farm(filled) as store:
        assert store.hand_counts()[-1].fruit_count == 64


def test_a_page_left_and_opened_again_shows_what_others_saved(filled: Path) -> None:
    ben = visitor("Ben", "setup")
    with open_farm(filled) as store:
        store.save_blocks([records.block(pick_date=date(2026, 9, 21))])
    ben = ben.switch_page("screens/help.py").run().switch_page("screens/setup.py").run()
    (box,) = (item for item in ben.date_input if item.label == "Pick date")
    assert box.value == date(2026, 9, 21)

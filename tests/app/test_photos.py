"""The Photos page: a tree and its photos are found, what is wrong is put right, and all is kept."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from app import session, wording
from app.review import editor, look
from app.review.editor import SIGNS, WORDS, correction_of, editor_data, pointed_box
from fruitvision.accounts import Role
from fruitvision.domain import (
    AddedFruit,
    Correction,
    GroundLine,
    JobKind,
    PhotoEdit,
    ReferenceKind,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
    TreeId,
)
from fruitvision.errors import FieldDataError, StoreError
from fruitvision.pipeline import Measured, estimate_blocks
from fruitvision.review import PARTLY_SEEN, apply_edits
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from fruitvision.unit_system import METRIC, UnitSystem, units_of
from tests import records
from tests.app.pages import page, photo_of, press, text, visit

NOON = datetime(2026, 8, 14, 12, tzinfo=UTC)
FIRST = photo_of(1, "A").photo
OUTLINE = {"x": 700.0, "y": 900.0, "w": 60.0, "h": 52.0, "a": 20.0, "whole": True}


def select(app: AppTest, label: str, value: object) -> AppTest:
    (box,) = (item for item in app.selectbox if item.label == label)
    return box.set_value(value).run()


def options(app: AppTest, label: str) -> list[str]:
    (box,) = (item for item in app.selectbox if item.label == label)
    return list(box.options)


def opened(**address: str) -> AppTest:
    return visit("photos", **address)


def edits(folder: Path, photo_id: str = FIRST.photo_id) -> tuple[PhotoEdit, ...]:
    with open_farm(folder) as store:
        return store.photo_edits(photo_id)


def factor(folder: Path) -> float:
    """Fruit on a tree of the block per fruit seen."""
    with open_farm(folder) as store:
        ((block,), _) = estimate_blocks(store, Settings())
    assert block.estimate.factor is not None
    return block.estimate.factor.factor


# ---------------------------------------------------------------- which photo


def test_a_tree_is_found_by_block_and_by_its_neighbours(filled: Path) -> None:
    app = page("photos")
    assert options(app, "Show tree")[:2] == ["Row 1, tree 1", "Row 1, tree 2"]
    # 7 fruit in each photo of tree 1, 8 of tree 2.
    assert ">7</div>" in text(app)
    faces = [item.label for item in app.button if item.label.startswith("Face ")]
    assert faces == ["Face A, 12 Aug 2026", "Face B, 12 Aug 2026"]
    assert next(item for item in app.button if item.label == "First tree").disabled
    assert "tree" not in app.query_params
    press(app, "Row 1, tree 2")
    assert ">8</div>" in text(app)
    assert {item.label for item in app.button} >= {"Row 1, tree 1", "Row 1, tree 3"}
    # What is looked at stands in the address, and is found again by it.
    assert app.query_params["tree"] in ("1.2", ["1.2"])
    again = opened(block=records.BLOCK_ID, tree="1.5")
    assert ">11</div>" in text(again)
    assert ">7</div>" in text(opened(block="Nowhere", tree="9.9", photo="zz"))


def test_both_faces_and_earlier_days_can_be_looked_at_the_latest_first(filled: Path) -> None:
    early = records.measured("e" * 64, [records.fruit(n, photo_id="e" * 64) for n in range(3)])
    early = replace(early, made_with=photo_of(1, "A").made_with)
    with open_farm(filled) as store:
        store.save_measured_photo(early)
        day = records.WALK - timedelta(days=30)
        store.save_tree_photos([records.tree_photo(1, "A", "e" * 64, walked_on=day)])
    app = page("photos")
    faces = [item.label for item in app.button if item.label.startswith("Face ")]
    assert faces[-1] == "Face A, 13 Jul 2026"
    press(app, "Face A, 13 Jul 2026")
    assert ">3</div>" in text(app)


def test_a_block_without_photos_says_so_and_the_first_with_photos_is_shown(filled: Path) -> None:
    with open_farm(filled) as store:
        store.save_blocks([replace(records.block(), block_id="Barn")])
    app = page("photos")
    assert next(item for item in app.selectbox if item.label == "Show block").value == "Gala North"
    select(app, "Show block", "Barn")
    assert not app.exception
    assert "No photos yet." in text(app)


def test_a_block_that_was_chosen_on_another_page_is_looked_at_first(filled: Path) -> None:
    with open_farm(filled) as store:
        store.save_blocks([replace(records.block(), block_id="Barn")])
        store.save_tree_photos(
            [replace(records.tree_photo(3, "A", "c" * 64), tree=TreeId("Barn", 2, 3))]
        )
    app = page("photos")
    assert "Row 2, tree 3" in options(app, "Show tree")
    select(app, "Show block", "Gala North")
    press(app, "Row 1, tree 2")
    app.session_state["block_id"] = "Barn"
    app.switch_page("screens/help.py").run()
    for name in ("block", "tree", "photo"):
        if name in app.query_params:
            del app.query_params[name]
    app.switch_page("screens/photos.py").run()
    assert options(app, "Show tree") == ["Row 2, tree 3"]
    assert "Not measured with the present settings." in text(app)
    # While photos are being measured it waits, and nobody is asked to do anything.
    with open_farm(filled) as store:
        at = datetime(2026, 8, 14, tzinfo=UTC)
        store.ask_job(JobKind.MEASURE, by="Ana", at=at, names={"c" * 64: "c.jpg"})
    app = app.run()
    assert "it waits its turn" in text(app)
    assert "Not measured with the present settings." not in text(app)


def test_what_was_measured_just_now_is_looked_at_once(filled: Path) -> None:
    app = page("photos")
    press(app, "Row 1, tree 2")
    new = photo_of(5, "B")
    app.session_state["measured"] = Measured(photos=(new,), refused=(), copies=())
    app.run()
    assert app.query_params["photo"] in (new.photo.photo_id[:12], [new.photo.photo_id[:12]])
    assert ">11</div>" in text(app)
    press(app, "Row 1, tree 6")
    assert ">12</div>" in text(app)


def test_a_photo_whose_file_is_gone_is_said_and_can_still_be_put_right(filled: Path) -> None:
    app = page("photos")
    assert "Load its walk again" in app.error[0].value
    assert "Fruit counted" in text(app)
    press(app, "Not a fruit")
    assert [one.correction for one in edits(filled)] == [RemovedFruit(x_px=0.0, y_px=200.0)]


# ---------------------------------------------------------------- putting right


def test_an_edit_has_who_and_when_and_moves_counts_everywhere_at_once(filled: Path) -> None:
    app = opened(who="Ana")
    assert factor(filled) == pytest.approx(1.5)
    before = datetime.now(UTC)
    select(app, "Fruit", next(one for one in photo_of(1, "A").fruit if one.fruit_id == "f003"))
    press(app, "Not a fruit")
    (kept,) = edits(filled)
    assert (kept.made_by, kept.correction) == ("Ana", RemovedFruit(x_px=300.0, y_px=200.0))
    assert before <= kept.made_at <= datetime.now(UTC)
    shown = text(app)
    assert ">6</div>" in shown
    assert "7 before anybody put it right" in shown
    # The picture is 1500 × 2000 px: its upper left ninth.
    assert "Put right last: Not a fruit: upper left (300, 200). Ana, " in shown
    # Of the trees counted by hand 89 fruit are seen now, not 90: 135 / 89.
    assert factor(filled) == pytest.approx(135 / 89)
    press(app, "Undo")
    assert ">7</div>" in text(app)
    assert "Undone by Ana" in text(app)
    assert factor(filled) == pytest.approx(1.5)
    press(app, "Do it again")
    assert [one.stands for one in edits(filled)] == [False, True]
    assert ">6</div>" in text(app)


def test_the_latest_edit_is_undone_beside_the_picture(filled: Path) -> None:
    app = opened(who="Ana")
    for _ in range(2):
        press(app, "Not a fruit")
    for left in (1, 0):
        press(app, "Undo this")
        assert sum(one.stands for one in edits(filled)) == left
    assert not any(item.label == "Undo this" for item in app.button)


def test_fruit_are_named_by_what_a_person_sees(filled: Path) -> None:
    (box,) = (item for item in opened().selectbox if item.label == "Fruit")
    assert box.options[3] == "Upper left (300, 200): 63 ± 3 mm."
    assert len(set(box.options)) == 7


def test_what_was_put_right_and_undone_is_among_the_latest_changes(filled: Path) -> None:
    app = opened(who="Ana")
    press(app, "Not a fruit")
    with open_farm(filled) as store:
        (edit,) = store.photo_edits_of()
        store.undo_photo_edit(
            edit.number, undone_by="Ben", undone_at=edit.made_at + timedelta(days=1)
        )
    listed = next(item.value for item in page("setup").table if "Change" in item.value)
    photo = "photo of Gala North, row 1, tree 1, face A, 12 Aug 2026"
    assert listed["Who"].tolist() == ["Ben", "Ana"]
    assert listed["Change"].tolist() == [f"undone: {photo}: Not a fruit", f"{photo}: Not a fruit"]


def test_an_edit_moves_the_forecast_and_the_next_one_says_so(filled: Path) -> None:
    press(page("forecast"), "Make forecast")
    app = page("photos")
    for _ in range(4):
        press(app, "Not a fruit")
    press(page("forecast"), "Make forecast")
    with open_farm(filled) as store:
        first, second = store.forecasts()
    assert second.forecast_id != first.forecast_id
    fruit = [one.inputs[0].estimate.visible_per_tree for one in (first, second)]
    # 230 fruit on ten trees, then 226.
    assert fruit == pytest.approx([23.0, 22.6])


def test_a_fruit_can_be_put_off_this_tree_and_on_it_again(filled: Path) -> None:
    app = page("photos")
    press(app, "Not of this tree")
    assert ">6</div>" in text(app)
    press(app, "Of this tree")
    assert ">7</div>" in text(app)
    assert [one.correction for one in edits(filled)] == [
        RowOfFruit(x_px=0.0, y_px=200.0, on_this_row=False),
        RowOfFruit(x_px=0.0, y_px=200.0, on_this_row=True),
    ]


def typed(app: AppTest, label: str, value: float, *, last: bool = False) -> None:
    boxes = [item for item in app.number_input if item.label == label]
    boxes[-1 if last else 0].set_value(value)


def test_outlines_and_lines_can_be_typed_without_the_picture(filled: Path) -> None:
    app = page("photos")
    for label, value in (("Middle: x", 900.0), ("Middle: y", 1000.0), ("Long axis", 64.0)):
        typed(app, label, value, last=True)
    press(app, "Add this fruit")
    assert ">8</div>" in text(app)
    typed(app, "Long axis", 55.0)
    press(app, "Keep this outline")
    typed(app, "Height of the ground at the left, px from the top", 990)
    typed(app, "Height of the ground at the right, px from the top", 990)
    press(app, "Keep the ground line")
    assert ">7</div>" in text(app)
    typed(app, "Left side of the tree, px from the left", 150)
    press(app, "Keep the sides")
    # Fruit at x = 0, 100, ... 600: two of them stand outside.
    assert ">5</div>" in text(app)
    assert not app.error[1:]
    kinds = [type(one.correction) for one in edits(filled)]
    assert kinds == [AddedFruit, ReshapedFruit, GroundLine, SideLimits]


def test_an_impossible_outline_is_refused_with_its_fix_and_nothing_is_kept(filled: Path) -> None:
    app = page("photos")
    typed(app, "Long axis", 1.0, last=True)
    press(app, "Add this fruit")
    assert any("Draw it from one side of the fruit" in item.value for item in app.error)
    assert edits(filled) == ()


def test_an_edit_without_its_fruit_is_said(filled: Path) -> None:
    with open_farm(filled) as store:
        store.save_photo_edits(
            FIRST.photo_id,
            [RemovedFruit(x_px=1400.0, y_px=1900.0)],
            made_by="*Bo*",
            made_at=NOON,
        )
    shown = text(page("photos"))
    assert "No fruit is found there now" in shown
    # A name is written letter by letter.
    assert "\\*Bo\\*" in shown


def test_a_checked_photo_goes_out_as_training_data(filled: Path) -> None:
    kept = filled / "photos" / f"{FIRST.photo_id}.jpg"
    kept.parent.mkdir(exist_ok=True)
    kept.write_bytes(b"only copied, never looked into")
    app = opened(who="Ana")
    app = next(item for item in app.toggle if item.label == "Make the files").set_value(True).run()
    assert "0 photos that somebody checked." in text(app)
    assert not app.download_button
    press(app, "All of this photo is right")
    assert "Ana looked at all of this photo" in app.success[0].value
    assert "1 photo that somebody checked." in text(app)
    assert [item.label for item in app.download_button] == ["Outlines and list, ZIP"]


def test_a_box_around_a_ball_asks_for_its_size_and_is_kept(filled: Path) -> None:
    app = page("photos")
    app.session_state["review box"] = (FIRST.photo_id, (100.0, 200.0, 160.0, 262.0))
    app.run()
    press(app, "Measure with it")
    assert "How large is what hangs in the box?" in text(app)
    assert len(app.error) == 2
    next(item for item in app.text_input if "of the ball, mm" in item.label).set_value("70,5")
    press(app, "Measure with it")
    with open_farm(filled) as store:
        (kept,) = store.pointed_references(FIRST.photo_id)
    assert (kept.kind, kept.size_mm) == (ReferenceKind.BALL, 70.5)
    assert kept.box_px == (100.0, 200.0, 160.0, 262.0)
    assert "How large is what hangs in the box?" not in text(app)


def test_millimetres_are_hidden_while_calipers_are_typed(filled: Path) -> None:
    app = page("photos")
    next(item for item in app.toggle if "blind" in item.label).set_value(True).run()
    assert not app.exception
    shown = text(app)
    assert "their millimetres could be read off" in shown
    assert "Fruit counted" not in shown


# ---------------------------------------------------------------- what is refused

CORRECTING = {"Not a fruit", "Not of this tree", "Add this fruit", "Keep the sides"}
SETTLING = {"All of this photo is right", "Undo this", "Undo", "Do it again"}


def put_right_and_undone(folder: Path) -> None:
    """One correction of the first photo that stands, and one that was undone."""
    with open_farm(folder) as store:
        for x_px in (0.0, 100.0):
            one = RemovedFruit(x_px=x_px, y_px=200.0)
            (edit, *_) = store.save_photo_edits(FIRST.photo_id, [one], made_by="Bo", made_at=NOON)
        store.undo_photo_edit(edit.number, undone_by="Bo", undone_at=NOON)


@pytest.mark.parametrize("button", ["Not a fruit", *sorted(SETTLING)])
def test_a_correction_that_the_farm_refuses_is_said_and_is_no_mistake_of_the_program(
    filled: Path, monkeypatch: pytest.MonkeyPatch, button: str
) -> None:
    put_right_and_undone(filled)
    before = edits(filled)
    app = page("photos")

    def full(*_: object, **__: object) -> None:
        raise StoreError("The disk is full.", fix="Make room on the disk and try again.")

    for name in ("save_photo_edits", "undo_photo_edit"):
        monkeypatch.setattr(FarmStore, name, full)
    press(app, button)
    assert not app.exception
    assert any("The disk is full." in one.value for one in app.error)
    assert edits(filled) == before
    app.run()
    assert not any("The disk is full." in one.value for one in app.error)


def test_who_may_only_look_finds_no_button_that_puts_a_photo_right(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_right_and_undone(filled)
    buttons = {item.label for item in page("photos").button}
    assert buttons >= CORRECTING | SETTLING
    monkeypatch.setattr("app.session.role", lambda: Role.READER)
    app = page("photos")
    assert not app.exception
    assert not {item.label for item in app.button} & (CORRECTING | SETTLING)
    # What was put right, and by whom, is still there to be read.
    assert "Put right last: Not a fruit" in text(app)
    assert "Undone by Bo" in text(app)


def test_the_picture_is_told_who_may_only_look() -> None:
    found = apply_edits(photo_of(1, "A"), (), Settings())
    for may_change in (True, False):
        data = editor_data(found, METRIC.diameter, may_change=may_change)
        assert data["may_change"] is may_change
        words = data["words"]["look"], data["words"]["picture"]
        assert ("wrong" in words[0], "Delete" in words[1]) == (may_change, may_change)


# ---------------------------------------------------------------- what the picture shows and gives


def test_the_picture_shows_every_fruit_with_its_words_and_signs() -> None:
    measured = photo_of(1, "A")
    corrections: tuple[Correction, ...] = (
        RemovedFruit(x_px=100.0, y_px=200.0),
        RowOfFruit(x_px=200.0, y_px=200.0, on_this_row=False),
        GroundLine(left_y_px=500.0, right_y_px=500.0),
        SideLimits(left_x_px=50.0, right_x_px=1000.0),
        AddedFruit(outline=records.fruit(8).outline, visible_share=PARTLY_SEEN),
    )
    kept = [
        PhotoEdit(number=number, photo_id=FIRST.photo_id, correction=one, made_by="", made_at=NOON)
        for number, one in enumerate(corrections, start=1)
    ]
    data = editor_data(apply_edits(measured, kept, Settings()), METRIC.diameter)
    kinds = {one["id"]: one["kind"] for one in data["fruit"]}
    assert kinds == {
        "f000": "beside", "f001": "out", "f002": "behind", "f003": "sized", "f004": "sized",
        "f005": "sized", "f006": "sized", "hand5": "counted",
    }  # fmt: skip
    by_id = {one["id"]: one for one in data["fruit"]}
    assert by_id["f003"]["words"] == "Upper left (300, 200): 63 ± 3 mm."
    assert by_id["f003"]["label"] == "63"
    assert by_id["hand5"]["hand"]
    assert "taken out by hand" in by_id["f001"]["words"]
    assert (data["ground"], data["sides"]) == ([500.0, 500.0], [50.0, 1000.0])
    assert [sign for sign, _ in data["legend"]] == ["┄", "●", "■", "◆", "✕"]
    inches = editor_data(apply_edits(measured, (), Settings()), units_of(UnitSystem.US).diameter)
    assert inches["fruit"][3]["label"] == "2.48"


@pytest.mark.parametrize("code", wording.LANGUAGES)
def test_the_picture_has_all_its_words_in_every_language(code: str) -> None:
    known = tomllib.loads((wording.TEXTS / code / "review.toml").read_text(encoding="utf-8"))
    english = tomllib.loads((wording.TEXTS / "en" / "review.toml").read_text(encoding="utf-8"))
    assert list(known) == list(english)
    assert {*WORDS, *(f"sign_{kind}" for kind in SIGNS)} <= set(known)
    script = Path(editor.__file__).with_name("editor.js").read_text(encoding="utf-8")
    for place in ("words.look", "words.saving", "words.stretch", '"is_fruit"', '"keep_whole"'):
        assert place in script


@pytest.mark.parametrize(
    ("edit", "wanted"),
    [
        ({"what": "remove", "x": 5, "y": 6.5}, RemovedFruit(x_px=5.0, y_px=6.5)),
        (
            {"what": "row", "x": 5, "y": 6, "on": True},
            RowOfFruit(x_px=5.0, y_px=6.0, on_this_row=True),
        ),
        ({"what": "ground", "left": 9, "right": 8}, GroundLine(left_y_px=9.0, right_y_px=8.0)),
        ({"what": "sides", "left": 90, "right": 8}, SideLimits(left_x_px=8.0, right_x_px=90.0)),
    ],
)
def test_what_the_picture_gives_back_is_a_correction(
    edit: dict[str, Any], wanted: Correction
) -> None:
    assert correction_of({"photo": FIRST.photo_id, **edit}, FIRST) == wanted


def test_drawn_outlines_come_back_whole_or_partly_hidden() -> None:
    added = correction_of({"photo": FIRST.photo_id, "what": "add", "outline": OUTLINE}, FIRST)
    assert isinstance(added, AddedFruit)
    assert (added.outline.width_px, added.visible_share) == (60.0, 1.0)
    partly = {**OUTLINE, "whole": False, "w": 40.0}
    new = correction_of(
        {"photo": FIRST.photo_id, "what": "shape", "x": 1, "y": 2, "outline": partly}, FIRST
    )
    assert isinstance(new, ReshapedFruit)
    assert (new.x_px, new.y_px, new.visible_share) == (1.0, 2.0, PARTLY_SEEN)
    assert (new.outline.width_px, new.outline.height_px, new.outline.angle_deg) == (52, 40, -70)


@pytest.mark.parametrize(
    "edit",
    [
        {},
        {"photo": "another", "what": "remove", "x": 1, "y": 2},
        {"photo": FIRST.photo_id, "what": "remove", "x": "1", "y": 2},
        {"photo": FIRST.photo_id, "what": "remove", "x": float("nan"), "y": 2},
        {"photo": FIRST.photo_id, "what": "burn", "x": 1, "y": 2},
        {"photo": FIRST.photo_id, "what": "add", "outline": [1, 2, 3]},
        {"photo": FIRST.photo_id, "what": "add", "outline": {**OUTLINE, "w": 1e-9}},
        {"photo": FIRST.photo_id, "what": "ground", "left": None, "right": 3},
    ],
)
def test_nonsense_from_the_picture_is_refused(edit: dict[str, Any]) -> None:
    with pytest.raises(FieldDataError):
        correction_of(edit, FIRST)


def test_a_box_around_a_ball_has_its_corners_in_order() -> None:
    drawn = {"photo": FIRST.photo_id, "what": "reference", "box": [90, 20, 10, 80]}
    assert pointed_box(drawn) == (10, 20, 90, 80)
    assert pointed_box({**drawn, "what": "add"}) is None


def test_what_comes_back_is_kept_or_its_error_said(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    state: dict[str, Any] = {"who": "Ana"}
    monkeypatch.setattr(st, "session_state", state)
    monkeypatch.setattr(session, "person", lambda: "Ana")
    with open_farm(filled) as store:
        measured = photo_of(1, "A")
        state["k"] = {"edit": {"photo": FIRST.photo_id, "what": "remove", "x": 100, "y": 200}}
        look.take("k", measured, store)
        (kept,) = store.photo_edits(FIRST.photo_id)
        assert (kept.made_by, kept.correction) == ("Ana", RemovedFruit(x_px=100.0, y_px=200.0))
        state["k"] = {"edit": {"photo": "another", "what": "remove", "x": 100, "y": 200}}
        look.take("k", measured, store)
        state["k"] = {"edit": {"photo": FIRST.photo_id, "what": "reference", "box": [1, 2, 30, 40]}}
        look.take("k", measured, store)
        assert len(store.photo_edits(FIRST.photo_id)) == 1
    assert "can't be read" in str(state["review error"])
    assert state["review box"] == (FIRST.photo_id, (1, 2, 30, 40))
    assert state["review answered"] == 3

"""Two visitors of one farm, and photos that are measured in the background."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from streamlit.runtime.scriptrunner import StopException
from streamlit.testing.v1 import AppTest

from app import conflicts
from fruitvision.accounts import Role
from fruitvision.domain import Conflict, FieldChange, HandCount, JobState, SeasonNote, ThingKind
from fruitvision.errors import StoreError
from fruitvision.pipeline.block_entries import save_block
from fruitvision.pipeline.entries import now_utc, save_hand_count
from fruitvision.store import FarmStore, open_farm
from fruitvision.work import start as work_start
from fruitvision.work import work_off
from tests import records
from tests.app.pages import press, text, visit
from tests.test_jobs import bare

pytestmark = pytest.mark.usefixtures("season_over")


def visitor(name: str, page_name: str) -> AppTest:
    return visit(page_name, who=name)


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
    assert "Ana changed block Gala North (" in text(ben)
    asked = next(item.value for item in ben.table if "You typed" in item.value)
    assert asked["There now"].tolist() == ["7 Sep 2026"]
    assert asked["You typed"].tolist() == ["10 Sep 2026"]
    press(ben, "Keep what I typed")
    with open_farm(filled) as store:
        assert store.blocks()[0].pick_date == date(2026, 9, 10)
        assert [one.who for one in store.changes()] == ["Ben", "Ana"]
    assert "Which one stays?" not in text(ben)


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


def test_a_conflict_says_of_which_season_it_is() -> None:
    notes = [SeasonNote(block_id="Gala North", season=2026, left_bins=n) for n in (4.0, 5.0)]
    conflict = Conflict(
        kind=ThingKind.SEASON_NOTE,
        about="Gala North, 2026",
        theirs=notes[0],
        mine=notes[1],
        fields=(FieldChange(name="left_bins", before=4.0, after=5.0),),
        who="Ana",
    )
    assert "the season of Gala North, 2026" in conflicts._words(conflict)


def test_a_page_left_and_opened_again_shows_what_others_saved(filled: Path) -> None:
    ben = visitor("Ben", "setup")
    with open_farm(filled) as store:
        store.save_blocks([records.block(pick_date=date(2026, 9, 21))])
    ben = ben.switch_page("screens/help.py").run().switch_page("screens/setup.py").run()
    (box,) = (item for item in ben.date_input if item.label == "Pick date")
    assert box.value == date(2026, 9, 21)


def test_who_changed_what_is_listed_with_both_values(filled: Path) -> None:
    with open_farm(filled) as store:
        (block,) = store.blocks()
        save_block(replace(block, missing=7, target_diameter_mm=75.0), block, store, who="Ana")
        count = HandCount(tree=records.tree_id(9), fruit_count=61, counted_on=records.WALK)
        save_hand_count(count, None, store, who="")
    app = visitor("Ben", "setup")
    listed = next(item.value for item in app.table if "Change" in item.value)
    assert listed["Who"].tolist() == ["Somebody", "Ana"]
    new, changed = listed["Change"].tolist()
    assert new.endswith("Gala North, row 1, tree 9, 12 Aug 2026: new (Fruit counted 61)")
    assert changed == "block Gala North: Missing trees: 0 → 7; Target size: – → 75.0 mm"


# ---------------------------------------------------------------- work in the background


@pytest.fixture
def no_worker(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Farms for which a worker was to be started; none is."""
    farms: list[Path] = []

    class Running:
        def __init__(self, folder: Path) -> None:
            farms.append(folder)

        def poll(self) -> int | None:
            return None

    monkeypatch.setattr(work_start, "start_worker", Running)
    monkeypatch.setattr(work_start, "_started", {})
    return farms


def upload_walk(app: AppTest, photos: list[Path], *, block: str = "Gala North") -> AppTest:
    """Load a walk of these photos, one tree each, and press the button."""
    lines = [f"{path.name},{block},2,{place},A" for place, path in enumerate(photos, start=1)]
    content = "\n".join(["photo,block,row,position,face", *lines]).encode()
    boxes = {item.label: item for item in app.file_uploader}
    boxes["Walk list, walk.csv"].set_value(("walk.csv", content, "text/csv"))
    boxes["Photos of the walk"].set_value(
        [(path.name, path.read_bytes(), "image/png") for path in photos]
    )
    for item in app.date_input:
        if "no date" in item.label:
            item.set_value(records.WALK)
    app.run()
    return press(app, "Measure this walk")


def test_many_photos_go_to_the_background_and_a_bar_tells_how_far_they_are(
    filled: Path, tmp_path: Path, no_worker: list[Path]
) -> None:
    photos = [bare(tmp_path, number) for number in range(6)]
    app = upload_walk(visitor("Ana", "photos"), photos)
    assert not app.exception
    assert no_worker == [filled]
    assert bar_words(app) == "0 of 6 photos measured, starting"
    assert "the work goes on" in text(app)
    assert "6 photos are in the farm and are being measured" in app.toast[0].value
    with open_farm(filled) as store:
        (job,) = store.jobs()
        assert (job.asked_by, job.total) == ("Ana", 6)
        assert len([one for one in store.tree_photos() if one.tree.row == 2]) == 6
    # The tab is closed; another visitor, on another page, sees the same bar.
    other = visitor("Ben", "help")
    assert bar_words(other) == "0 of 6 photos measured, starting"
    work_off(filled, workers=1)
    assert "6 photos are done." in text(app.run())
    assert "6 photos are done." in text(other.run())
    press(app, "Close")
    assert "6 photos are done." not in text(app)


def bar_words(app: AppTest) -> str:
    """What the bar of running work says."""
    (bar,) = app.get("progress")
    return str(bar.proto.text)


def test_work_is_stopped_and_gone_on_with(
    filled: Path, tmp_path: Path, no_worker: list[Path]
) -> None:
    app = upload_walk(visitor("Ana", "photos"), [bare(tmp_path, number) for number in range(5)])
    app = press(app, "Stop")
    assert "Stopped: 0 of 5 photos are measured." in text(app)
    work_off(filled, workers=1)
    with open_farm(filled) as store:
        assert store.jobs()[0].state is JobState.CANCELLED
    press(app, "Go on")
    work_off(filled, workers=1)
    with open_farm(filled) as store:
        assert (store.jobs()[0].state, store.jobs()[0].done) == (JobState.DONE, 5)
    assert "5 photos are done." in text(app.run())


def test_measuring_is_stopped_and_gone_on_with_also_in_front_of_a_tree(
    filled: Path, tmp_path: Path, no_worker: list[Path]
) -> None:
    upload_walk(visitor("Ana", "photos"), [bare(tmp_path, number) for number in range(5)])
    app = press(visitor("Ben", "walk"), "Stop measuring")
    assert not app.exception
    assert "Stopped: 0 of 5 photos are measured." in text(app)
    with open_farm(filled) as store:
        assert store.jobs()[0].state is JobState.CANCELLED
    press(app, "Go on")
    with open_farm(filled) as store:
        assert store.jobs()[0].is_open


def test_who_may_only_look_sees_the_bar_and_stops_nothing(
    filled: Path, tmp_path: Path, no_worker: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    upload_walk(visitor("Ana", "photos"), [bare(tmp_path, number) for number in range(5)])
    acts = {"Stop", "Stop measuring", "Go on"}
    monkeypatch.setattr("app.session.role", lambda: Role.READER)
    for name in ("photos", "walk"):
        app = visitor("Rae", name)
        assert bar_words(app) == "0 of 5 photos measured, starting"
        assert not acts & {one.label for one in app.button}
    with open_farm(filled) as store:
        store.cancel_job(store.jobs()[0].number)
    app = visitor("Rae", "photos")
    assert "Stopped: 0 of 5 photos are measured." in text(app)
    assert not acts & {one.label for one in app.button}


@pytest.mark.parametrize("page_name", ["photos", "walk"])
def test_work_that_the_farm_does_not_stop_is_said(
    filled: Path,
    tmp_path: Path,
    no_worker: list[Path],
    monkeypatch: pytest.MonkeyPatch,
    page_name: str,
) -> None:
    upload_walk(visitor("Ana", "photos"), [bare(tmp_path, number) for number in range(5)])
    app = visitor("Ana", page_name)

    def full(*_: object, **__: object) -> None:
        raise StoreError("The disk is full.", fix="Make room on the disk and try again.")

    monkeypatch.setattr(FarmStore, "cancel_job", full)
    press(app, "Stop" if page_name == "photos" else "Stop measuring")
    assert not app.exception
    # The bar is drawn anew every second, and what it met stays there to be read.
    app.run()
    assert [one.value for one in app.error if "The disk is full." in one.value]
    # The page below stays.
    assert app.title


def test_stopped_while_faces_are_put_together_says_what_waits(
    filled: Path, tmp_path: Path, no_worker: list[Path]
) -> None:
    app = upload_walk(visitor("Ana", "photos"), [bare(tmp_path, number) for number in range(5)])
    with open_farm(filled) as store:
        (job,) = store.jobs()
        store.tell_progress(job.number, done=5, total=5, at=now_utc())
    app = press(app.run(), "Stop")
    assert "all 5 photos are measured. Photos of one face" in text(app)


def test_what_was_refused_in_the_background_is_told_with_its_name(
    filled: Path, tmp_path: Path, no_worker: list[Path]
) -> None:
    photos = [bare(tmp_path, number) for number in range(5)]
    photos[3].write_bytes(photos[3].read_bytes()[:-900])
    app = upload_walk(visitor("Ana", "photos"), photos)
    work_off(filled, workers=1)
    app.run()
    assert any("**bare 3.png**" in item.value for item in app.warning)
    # Who comes later and did not ask for it is not told.
    assert not visitor("Ben", "help").warning
    assert any("**bare 3.png**" in item.value for item in visitor("Ana", "help").warning)


def boxes_to_open(app: AppTest) -> list[str]:
    return [item.label for item in app.expander if "left out" in item.label]


def test_what_was_left_out_is_told_to_whoever_comes_until_it_is_put_away(
    filled: Path, tmp_path: Path, no_worker: list[Path]
) -> None:
    photos = [bare(tmp_path, number) for number in range(2)]
    upload_walk(visitor("Ana", "photos"), photos, block="Gala Nort")
    with open_farm(filled) as store:
        assert store.tree_photos(records.BLOCK_ID)[-1].tree.row == 1
        (job,) = store.jobs()
        # What is wrong with both lines in one way is said once.
        assert (job.state, job.total) == (JobState.DONE, 0)
        assert [name for name, *_ in job.refused] == ["walk.csv, line 2 and 1 more"]
    # The tab is closed. Who is on another page has other things to do.
    assert boxes_to_open(visitor("Ben", "help")) == []
    assert boxes_to_open(visitor("Ben", "walk")) == ["1 thing was left out of what came in"]
    ben = visitor("Ben", "photos")
    assert "Brought by Ana, " in text(ben)
    assert any("Did you mean 'Gala North'" in item.value for item in ben.warning)
    press(ben, "I have seen it: put it away")
    assert not ben.exception
    assert boxes_to_open(ben) == boxes_to_open(visitor("Cleo", "walk")) == []
    with open_farm(filled) as store:
        assert store.jobs()[0].refused == job.refused


def test_the_same_photos_again_are_kept_once(
    filled: Path, tmp_path: Path, no_worker: list[Path]
) -> None:
    photos = [bare(tmp_path, number) for number in range(3)]
    for _ in range(2):
        app = upload_walk(visitor("Ana", "photos"), photos)
        assert not app.exception
    assert "3 photos were in the farm already" in text(app)
    assert no_worker == []
    with open_farm(filled) as store:
        assert len([one for one in store.tree_photos() if one.tree.row == 2]) == 3


def test_a_page_closed_in_the_middle_of_a_short_measurement_loses_nothing(
    filled: Path, tmp_path: Path, no_worker: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def closed(done: int, of: int) -> None:
        if done == 1:
            # So Streamlit stops the script of a page whose tab is closed.
            raise StopException

    monkeypatch.setattr("app.show.progress", lambda: closed)
    photos = [bare(tmp_path, number) for number in range(3)]
    upload_walk(visitor("Ana", "photos"), photos)
    with open_farm(filled) as store:
        assert store.jobs()[0].is_open
    assert bar_words(visitor("Ana", "help")) == "1 of 3 photos measured, less than a minute left"
    assert no_worker == [filled]
    work_off(filled, workers=1)
    with open_farm(filled) as store:
        assert (store.jobs()[0].state, store.jobs()[0].done) == (JobState.DONE, 3)


def test_a_photo_that_is_loaded_for_another_tree_says_where_it_was(
    filled: Path, tmp_path: Path, no_worker: list[Path]
) -> None:
    photos = [bare(tmp_path, number) for number in range(6)]
    upload_walk(visitor("Ana", "photos"), photos)
    work_off(filled, workers=1)
    app = upload_walk(visitor("Ana", "photos"), photos[1:])
    words = " ".join(item.value for item in app.warning)
    name = photos[1].name
    assert f"{name} was at Gala North, row 2, tree 2, face A until now" in words
    assert "2 more photos are moved." in words
    assert "kept once" not in text(app)

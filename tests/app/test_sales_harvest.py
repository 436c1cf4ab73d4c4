"""The harvest on the page for sales: passes tried out and kept, tickets, finished passes, rooms."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest
from streamlit.testing.v1.element_tree import DateInput

from fruitvision.accounts import Role
from fruitvision.domain import BinTicket, CartonPrice, ColdRoom, Forecast, ThingKind
from fruitvision.errors import StoreError
from fruitvision.harvest.moves import Move, moved_plans
from fruitvision.pipeline.farm_entries import set_costs
from fruitvision.pipeline.pick_plans import keep_plans
from fruitvision.pipeline.picked import finished_passes, first_picks_of
from fruitvision.pipeline.rooms import save_room
from fruitvision.store import FarmStore, open_farm
from tests import records
from tests.app import pseudo
from tests.app.pages import page, press, text
from tests.app.test_sales import make, number_box, plan
from tests.app.test_untranslated import opened, untranslated

BLOCK = records.BLOCK_ID
SECOND = records.PICK + timedelta(days=7)


@pytest.fixture
def forecast(filled: Path) -> Forecast:
    """A forecast of two passes, 30 and 70 %."""
    with open_farm(filled) as store:
        plan(store)
        return make(store)


def day_box(app: AppTest, label: str) -> DateInput:
    (found,) = (item for item in app.date_input if item.label == label)
    return found


def days(app: AppTest) -> list[str]:
    """The days of the calendar."""
    found = next(item.value for item in app.table if "Pickers" in item.value)
    return [cell.replace("\u00a0", " ") for cell in found["Day"].tolist()]


def keep_tickets(folder: Path, *bins: float) -> None:
    """One ticket a pass, on the day of the pass."""
    with open_farm(folder) as store:
        store.save_bin_tickets(
            BinTicket(
                ticket=f"10{number}",
                block_id=BLOCK,
                picked_on=(records.PICK, SECOND)[number - 1],
                bins=one,
                pass_number=number,
            )
            for number, one in enumerate(bins, start=1)
        )


def test_a_moved_pass_is_tried_out_then_kept(filled: Path, forecast: Forecast) -> None:
    app = page("sales")
    assert days(app) == ["Thu 3 Sep", "Thu 10 Sep"]
    day_box(app, "Day of pass 1").set_value(date(2026, 9, 5)).run()
    assert not app.exception
    assert days(app) == ["Sat 5 Sep", "Thu 10 Sep"]
    tried = f"A try-out, nothing is saved. {BLOCK}: 5 Sep 2026 (30%), 10 Sep 2026 (70%)"
    assert any(tried in one.value for one in app.warning)
    with open_farm(filled) as store:
        assert store.pick_plans()[BLOCK].picks[0].pick_date == records.PICK
    press(app, "Keep as the pick plan")
    assert not app.exception
    assert "still stands on the old dates" in app.success[0].value
    assert days(app) == ["Sat 5 Sep", "Thu 10 Sep"]
    assert not any("A try-out" in one.value for one in app.warning)
    assert any("before you send them" in one.value for one in app.warning)
    assert any(f"differ from the forecast's in: {BLOCK}" in one.value for one in app.info)
    with open_farm(filled) as store:
        assert [one.pick_date.day for one in store.pick_plans()[BLOCK].picks] == [5, 10]
        (change,) = store.changes(kind=ThingKind.PICK_PLAN)
        assert change.about == BLOCK
        assert store.forecasts() == (forecast,)


@pytest.mark.usefixtures("forecast")
def test_shares_are_tried_out_and_dropped() -> None:
    app = page("sales")

    def bins() -> list[str]:
        passes = next(item.value for item in app.table if "Picker-days" in item.value)
        found: list[str] = passes["Bins"].tolist()
        return found

    before = bins()
    number_box(app, "Share of pass 1").set_value(60.0).run()
    assert "The last pass takes what is left: 40%" in text(app)
    assert bins() != before
    press(app, "Back to the kept passes")
    assert not app.exception
    assert bins() == before
    assert not any("A try-out" in one.value for one in app.warning)
    # More than all of it can't be meant; the calendar stays.
    number_box(app, "Share of pass 1").set_value(130.0).run()
    assert any("add up to 1" in one.value for one in app.error)
    assert bins() == before


def test_passes_out_of_order_are_refused_in_words(filled: Path, forecast: Forecast) -> None:
    app = page("sales")
    day_box(app, "Day of pass 1").set_value(SECOND + timedelta(days=1)).run()
    assert any("not in order" in one.value for one in app.error)
    assert days(app) == ["Thu 3 Sep", "Thu 10 Sep"]
    assert "Keep as the pick plan" not in [one.label for one in app.button]


def test_somebody_elses_passes_are_not_taken_away(filled: Path, forecast: Forecast) -> None:
    app = page("sales")
    day_box(app, "Day of pass 1").set_value(date(2026, 9, 5)).run()
    with open_farm(filled) as store:
        kept = store.pick_plans()[BLOCK]
        earlier = kept.picks[0].pick_date - timedelta(days=2)
        theirs = moved_plans({BLOCK: kept}, [Move(block_id=BLOCK, number=1, on=earlier)])
        keep_plans(theirs, {BLOCK: kept}, store, forecast, who="Paul")
    press(app, "Keep as the pick plan")
    assert not app.exception
    assert "Paul" in text(app)
    with open_farm(filled) as store:
        assert store.pick_plans()[BLOCK].picks[0].pick_date == earlier


def test_moved_passes_stay_typed_where_the_farm_refuses_them(
    filled: Path, forecast: Forecast, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = page("sales")
    moved = date(2026, 9, 5)
    day_box(app, "Day of pass 1").set_value(moved).run()

    def full(*_: object, **__: object) -> None:
        raise StoreError("The disk is full.", fix="Make room on the disk and try again.")

    with monkeypatch.context() as patch:
        patch.setattr(FarmStore, "save_seen", full)
        press(app, "Keep as the pick plan")
    assert any("The disk is full." in one.value for one in app.error)
    app.run()
    assert day_box(app, "Day of pass 1").value == moved
    assert any("A try-out" in one.value for one in app.warning)
    press(app, "Keep as the pick plan")
    with open_farm(filled) as store:
        assert store.pick_plans()[BLOCK].picks[0].pick_date == moved


def test_a_pick_before_the_bloom_is_refused_and_stays_typed(filled: Path) -> None:
    with open_farm(filled) as store:
        make(store)
        # The bloom was typed wrong afterwards: after the walk, before the pick.
        bloom = records.WALK + timedelta(days=5)
        store.save_blocks([replace(store.blocks()[0], full_bloom_on=bloom)])
    app = page("sales")
    day_box(app, "Day of the pick").set_value(bloom).run()
    press(app, "Keep as the pick plan")
    assert any("is not before the pick on" in one.value for one in app.error)
    app.run()
    assert day_box(app, "Day of the pick").value == bloom
    with open_farm(filled) as store:
        assert store.blocks()[0].pick_date == records.PICK


def choose_pass(app: AppTest, number: int) -> None:
    app.selectbox(key="pass to finish").set_value((BLOCK, number, 2)).run()


def test_a_pass_without_a_ticket_is_finished_at_a_second_yes(
    filled: Path, forecast: Forecast
) -> None:
    app = page("sales")
    assert "Picked since this forecast was made" not in text(app)
    choose_pass(app, 2)
    assert next(one for one in app.button if one.label == "It is finished").disabled
    sure = next(one for one in app.checkbox if "No bin ticket" in one.label)
    sure.check().run()
    press(app, "It is finished")
    assert not app.exception
    with open_farm(filled) as store:
        assert finished_passes(store, first_picks_of(forecast)).keys() == {(BLOCK, 2)}
    words = f"as the last pass was marked finished: {BLOCK}."
    assert any(words in one.value for one in app.warning)


def test_what_is_picked_is_told_marked_and_logged(filled: Path, forecast: Forecast) -> None:
    assert "no bin tickets of this season yet" in text(app := page("sales"))
    planned = forecast.blocks[0].picks[0].bins
    assert planned is not None
    keep_tickets(filled, 0.8 * planned.p50)
    app = page("sales")
    passes = next(item.value for item in app.table if "Picked of planned" in item.value)
    assert passes["Still to come"].tolist()[0] != "finished"
    # Nothing is chosen before somebody does.
    assert next(one for one in app.button if one.label == "It is finished").disabled
    choose_pass(app, 1)
    press(app, "It is finished")
    assert not app.exception
    assert f"{BLOCK} 1/2 is marked." in app.success[0].value
    passes = next(item.value for item in app.table if "Picked of planned" in item.value)
    assert passes["Still to come"].tolist()[0] == "finished"
    words = text(app)
    assert f"{BLOCK}: moved by its own tickets \u2212" in words
    assert "This is no forecast of record" in words
    # What follows is the rest.
    assert days(app) == ["Thu 10 Sep"]
    assert any(
        "bins are in by tickets, passes marked finished: 1." in one.value for one in app.info
    )
    press(app, "Write it into the log")
    assert "1 line was written into the log." in app.success[0].value
    with open_farm(filled) as store:
        (line,) = store.changes(kind=ThingKind.HARVEST_REST)
        assert line.about == BLOCK
    tables = [str(one.value.to_dict()) for one in page("setup").table]
    assert any("what is still to come of Gala North: " in one for one in tables)
    press(app, "It goes on after all")
    assert days(app) != ["Thu 10 Sep"]


@pytest.mark.usefixtures("forecast")
def test_rooms_are_entered_and_days_that_are_too_much_are_marked(filled: Path) -> None:
    app = page("sales")
    assert "No cold room is entered yet" in text(app)
    (box,) = (item for item in app.text_input if item.label == "Name of the room")
    box.set_value("North")
    number_box(app, "Bins that it holds").set_value(5)
    press(app, "Save room")
    assert not app.exception
    assert "The room North is saved." in app.success[0].value
    assert any("On 2 days more comes in" in one.value for one in app.warning)
    assert any("what the rooms take: Thu" in one.value for one in app.warning)
    shown = next(item.value for item in app.table if "Pickers" in item.value)
    assert all("more than the rooms take" in cell for cell in shown["Pickers"].tolist())
    with open_farm(filled) as store:
        assert store.cold_rooms() == (ColdRoom(name="North", bins=5),)
    (choice,) = (item for item in app.selectbox if item.label == "Room to correct")
    choice.set_value("North").run()
    number_box(app, "Bins that it holds").set_value(5000)
    press(app, "Save room")
    assert any("the rooms take what comes in, every day" in one.value for one in app.success)
    press(app, "Take North off")
    assert not app.exception
    with open_farm(filled) as store:
        assert store.cold_rooms() == ()
        assert len(store.changes(kind=ThingKind.COLD_ROOM)) == 3


@pytest.mark.usefixtures("forecast")
def test_a_room_without_a_name_is_refused_in_words() -> None:
    app = page("sales")
    number_box(app, "Bins that it holds").set_value(5)
    press(app, "Save room")
    assert any("has no name" in one.value for one in app.error)


@pytest.mark.usefixtures("forecast")
def test_passes_are_held_against_costs_once_these_and_prices_are_set(filled: Path) -> None:
    app = page("sales")
    assert "Enter what picking a bin and packing a carton cost" in text(app)
    with open_farm(filled) as store:
        store.save_prices([CartonPrice(per_carton=1.0)])
        # As a settings file may have it: whole numbers.
        farm = store.farm()
        store.save_farm(
            replace(farm, settings_text="bins_per_picker_day = 4\npack_cost_per_carton = 2")
        )
    app = page("sales")
    number_box(app, "Picking a bin costs").set_value(50.0)
    press(app, "Save costs")
    assert not app.exception
    assert "The costs are saved." in app.success[0].value
    assert any("2 passes more likely cost than bring something" in w.value for w in app.warning)
    shown = next(item.value for item in app.table if "Chance of a loss" in item.value)
    assert shown["Chance of a loss"].tolist() == ["100%", "100%"]
    number_box(app, "Picking a bin costs").set_value(-1.0)
    press(app, "Save costs")
    assert any("A number is too small" in one.value for one in app.error)
    number_box(app, "Pickers that you have").set_value(-1)
    press(app, "Save crew")
    assert not app.exception
    assert any("crew" in one.value for one in app.error)


def test_a_harvest_under_way_shows_no_untranslated_text(
    filled: Path, forecast: Forecast, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_tickets(filled, 0.2, 0.5)
    with open_farm(filled) as store:
        save_room(ColdRoom(name="North", bins=5), None, store, who="Ines")
        store.save_prices([CartonPrice(per_carton=1.0, size_class="88")])
        farm = store.farm()
        set_costs(50.0, 0.0, farm, store, who="Ines")
        lost = BinTicket(ticket="77", block_id="Nowhere", picked_on=SECOND, bins=1)
        store.save_bin_tickets([lost])
    pseudo.speak(monkeypatch, tmp_path / "texts")
    app = opened("sales")
    assert untranslated(app, filled, "North", "Nowhere") == {}
    day = records.PICK + timedelta(days=1)
    app.date_input[0].set_value(day).run()
    assert untranslated(app, filled, "North", "Nowhere") == {}


@pytest.mark.usefixtures("forecast")
def test_sales_look_at_the_harvest_and_set_nothing_of_it(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_tickets(filled, 4.0)

    def offered() -> set[str]:
        app = page("sales")
        assert not app.exception
        assert any("Picked of planned" in one.value for one in app.table)
        return {item.label for item in app.button}

    set_by_managers = {
        *("Save crew", "It is finished", "Write it into the log", "Save costs", "Save room"),
    }
    assert set_by_managers <= offered()
    monkeypatch.setattr("app.session.role", lambda: Role.SALES)
    assert not set_by_managers & offered()
    assert "A manager sets them." in text(page("sales"))

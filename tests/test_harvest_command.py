"""`fruitvision harvest`: passes moved and kept, bin tickets, finished passes, cold rooms."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from fruitvision.domain import BinTicket, Block, ColdRoom, Forecast, Pick, PickPlan, ThingKind
from fruitvision.errors import ConflictError, FieldDataError, ForecastError
from fruitvision.harvest.moves import Move, moved_plans, parse_move
from fruitvision.pipeline.harvest_plan import harvest_now, read_harvest
from fruitvision.pipeline.pick_plans import keep_plans, kept_plans, moved_since
from fruitvision.pipeline.picked import finished_passes, first_picks_of
from fruitvision.pipeline.rooms import save_room, take_room_off
from fruitvision.pipeline.sales import sold_from
from fruitvision.settings import Settings
from fruitvision.store import FarmStore, open_farm
from tests.test_sales_command import command, make
from tests.walked_farm import add_good_block

FIRST, SECOND = date(2026, 9, 3), date(2026, 9, 10)


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Hill in two passes, Mill in one on its pick date; both of one variety."""
    folder = tmp_path_factory.mktemp("harvest") / "farm"
    with open_farm(folder, name="Larkhill") as store:
        add_good_block(store, "Hill")
        add_good_block(store, "Mill")
        picks = Pick(pick_date=FIRST, share=0.6), Pick(pick_date=SECOND, share=0.4)
        store.save_pick_plan("Hill", PickPlan(picks=picks))
    make(folder)
    return folder


@pytest.fixture
def folder(farm: Path, tmp_path: Path) -> Path:
    """A copy of the farm of this module."""
    shutil.copytree(farm, tmp_path / "farm")
    return tmp_path / "farm"


def forecast_of(store: FarmStore) -> Forecast:
    sold = sold_from(store)
    assert sold is not None
    return sold.forecast


def kept_block_of(store: FarmStore, name: str) -> Block:
    (found,) = (one for one in store.blocks() if one.block_id == name)
    return found


def keep_ticket(folder: Path, bins: float, *, on: date = FIRST, number: int = 1) -> None:
    with open_farm(folder) as store:
        store.save_bin_tickets(
            [
                BinTicket(
                    ticket=f"{on} {number}",
                    block_id="Hill",
                    picked_on=on,
                    bins=bins,
                    pass_number=number,
                )
            ]
        )


# ---------------------------------------------------------------- moves


@pytest.mark.parametrize(
    ("text", "move"),
    [
        ("Gala North:1=+3", Move(block_id="Gala North", number=1, days=3)),
        ("Hill: 2 = -10", Move(block_id="Hill", number=2, days=-10)),
        (
            "Row 3: low=x:12=2026-09-06",
            Move(block_id="Row 3: low=x", number=12, on=date(2026, 9, 6)),
        ),
        ("Hill:1=37,5 %", Move(block_id="Hill", number=1, share=0.375)),
    ],
)
def test_a_move_is_read_as_it_is_typed(text: str, move: Move) -> None:
    assert parse_move(text) == move


@pytest.mark.parametrize(
    "text", ["", "Hill=+3", "Hill:0=+3", "Hill:1=3", "Hill:1=2026-13-01", ":1=+3"]
)
def test_a_move_that_can_not_be_read_says_how_to_write_it(text: str) -> None:
    with pytest.raises(ForecastError, match="can't be read") as caught:
        parse_move(text)
    assert "Gala North:1=+3" in caught.value.fix


def test_shares_that_are_not_given_share_what_is_left() -> None:
    picks = tuple(Pick(pick_date=FIRST, share=share) for share in (0.5, 0.3, 0.2))
    plans = {"Hill": PickPlan(picks=picks)}
    moved = moved_plans(plans, [parse_move("Hill:1=40%")])["Hill"]
    assert [pick.share for pick in moved.picks] == pytest.approx([0.4, 0.36, 0.24])
    both = moved_plans(plans, [parse_move("Hill:1=+1"), parse_move("Hill:1=100%")])["Hill"]
    assert [pick.share for pick in both.picks] == pytest.approx([1, 0, 0])
    assert both.picks[0].pick_date == date(2026, 9, 4)
    with pytest.raises(ForecastError, match="Hill has no pass 4; its last one is 3"):
        moved_plans(plans, [parse_move("Hill:4=+1")])
    with pytest.raises(ForecastError, match="no block 'Hil'"):
        moved_plans(plans, [parse_move("Hil:1=+1")])


def test_a_move_is_a_try_out_until_it_is_kept(folder: Path) -> None:
    before = command("harvest", folder)[1]
    assert "Thu 3 Sep: Hill" in before
    status, text = command("harvest", folder, "--move", "Hill:1=+2")
    assert status == 0
    assert "A try-out, nothing is kept" in text
    assert "Sat 5 Sep: Hill" in text
    assert "By other passes than the forecast's: Hill." in text
    assert command("harvest", folder)[1] == before
    status, text = command("harvest", folder, "--move", "Hill:1=+2", "--keep", "--by", "Ines")
    assert status == 0
    assert "Kept as the pick plan: Hill on 2026-09-05 (60 %), 2026-09-10 (40 %)" in text
    # The calendar follows from now on; sales stands where it stood.
    _, now = command("harvest", folder)
    assert "Sat 5 Sep: Hill" in now
    assert "Sales works on the forecast's dates" in now
    _, as_forecast = command("harvest", folder, "--as-forecast")
    moved = "The farm's passes are not those of this forecast: Hill."
    assert moved in as_forecast
    assert [one for one in as_forecast.splitlines() if moved not in one] == before.splitlines()
    with open_farm(folder) as store:
        (change,) = store.changes(kind=ThingKind.PICK_PLAN)
        assert (change.who, change.about) == ("Ines", "Hill")
        assert store.pick_plans()["Hill"].picks[0].pick_date == date(2026, 9, 5)


def test_a_block_with_a_pick_date_only_has_that_moved(folder: Path) -> None:
    with open_farm(folder) as store:
        day = kept_block_of(store, "Mill").pick_date
    assert day is not None
    status, text = command("harvest", folder, "--move", "Mill:1=+4", "--keep")
    assert status == 0, text
    with open_farm(folder) as store:
        assert "Mill" not in store.pick_plans()
        moved = kept_block_of(store, "Mill").pick_date
        assert moved is not None
        assert (moved - day).days == 4
        forecast = forecast_of(store)
        assert list(moved_since(kept_plans(store, forecast), forecast)) == ["Mill"]


@pytest.mark.parametrize(
    ("move", "words"),
    [
        ("Hill:2=-7", "are not in order"),
        ("Hill:1=2026-01-01", "before the photos"),
        ("Hil:1=+1", "no block 'Hil'"),
        ("Hill:1=sooner", "can't be read"),
    ],
)
def test_a_move_that_can_not_be_meant_is_refused_and_changes_nothing(
    folder: Path, move: str, words: str
) -> None:
    status, text = command("harvest", folder, "--move", move, "--keep")
    assert status == 2
    assert words in text
    with open_farm(folder) as store:
        assert store.changes(kind=ThingKind.PICK_PLAN) == ()


def test_two_who_move_the_same_passes_are_told(folder: Path) -> None:
    with open_farm(folder) as store:
        forecast = forecast_of(store)
        seen = kept_plans(store, forecast)
        mine = moved_plans(seen, [parse_move("Hill:1=+1")])
        theirs = moved_plans(seen, [parse_move("Hill:1=+2")])
        keep_plans(theirs, seen, store, forecast, who="Paul")
        with pytest.raises(ConflictError, match="changed meanwhile by Paul"):
            keep_plans(mine, seen, store, forecast, who="Ines")
        assert store.pick_plans()["Hill"].picks[0].pick_date == date(2026, 9, 5)


def test_a_plan_of_another_season_leaves_an_old_calendar_as_it_is(folder: Path) -> None:
    before = command("harvest", folder)[1]
    with open_farm(folder) as store:
        picks = (Pick(pick_date=date(2027, 9, 1), share=1.0),)
        store.save_pick_plan("Hill", PickPlan(picks=picks))
    assert command("harvest", folder)[1] == before


# ---------------------------------------------------------------- tickets


def test_a_first_pass_under_plan_is_told_and_logged(folder: Path) -> None:
    _, text = command("harvest", folder, "--tickets")
    assert "no bin tickets of this season yet" in text
    with open_farm(folder) as store:
        # Hill's crop is known to 5 %: were its shares known no better, a low pass would mean late
        # colour, and its rest would hardly move.
        store.save_farm(replace(store.farm(), settings_text="pass_share_error = 0.05\n"))
        forecast = forecast_of(store)
        (hill,) = (one for one in forecast.blocks if one.name == "Hill")
    assert hill.picks[0].bins is not None
    keep_ticket(folder, 0.8 * hill.picks[0].bins.p50)
    _, text = command("harvest", folder, "--tickets", "--done", "Hill:1", "--by", "Ines")
    assert "By bin tickets up to Thu 3 Sep 2026." in text
    assert "moved by its own tickets -" in text
    assert "moved by Hill -" in text
    assert "Written into the log: 2 lines." in text
    assert "no forecast of record" in text
    # The pass is over: the calendar is that of the rest.
    assert "bins are picked, by tickets; what follows is the rest." in text
    assert "Thu 3 Sep: Hill" not in text
    with open_farm(folder) as store:
        log = store.changes(kind=ThingKind.HARVEST_REST)
        assert {(one.who, one.about) for one in log} == {("Ines", "Hill"), ("Ines", "Mill")}
        (own,) = (one for one in log if one.about == "Hill")
        assert own.before is not None
        assert own.after is not None
        assert own.after["picked_bins"] == pytest.approx(0.8 * hill.picks[0].bins.p50, abs=0.05)
        assert forecast_of(store) == forecast
    # The same evening again: nothing new, no line.
    assert "Written into the log: 0 lines." in command("harvest", folder, "--tickets")[1]


def test_a_pass_is_finished_by_a_persons_word_until_it_is_taken_back(folder: Path) -> None:
    keep_ticket(folder, 5)
    for option, found in (("--done", {("Hill", 1)}), ("--not-done", set())):
        assert command("harvest", folder, option, "Hill:1", "--by", "Ines")[0] == 0
        with open_farm(folder) as store:
            picks = first_picks_of(forecast_of(store))
            assert finished_passes(store, picks).keys() == found
            next_year = {name: day + timedelta(days=365) for name, day in picks.items()}
            assert finished_passes(store, next_year) == {}
    with open_farm(folder) as store:
        assert [one.about for one in store.changes(kind=ThingKind.PASS)] == ["Hill 1/2, 2026"] * 2
    for wrong, words in (("Hill:3", "has no pass 3; its last one is 2"), ("Hill", "can't be read")):
        status, text = command("harvest", folder, "--done", wrong)
        assert status == 2
        assert words in text


def test_what_was_marked_is_said_and_what_takes_it_back(folder: Path) -> None:
    with open_farm(folder) as store:
        (hill,) = (one for one in forecast_of(store).blocks if one.name == "Hill")
    planned = hill.picks[0].bins
    assert planned is not None
    keep_ticket(folder, round(0.3 * planned.p10, 1))
    _, text = command("harvest", folder, "--done", "Hill:1")
    first = text.splitlines()[0]
    assert first.startswith(f"Finished: Hill pass 1: {0.3 * planned.p10:.1f} of ")
    assert first.endswith(
        f"bins came in. Is that meant? To take it back: "
        f"fruitvision harvest --farm {folder} --not-done Hill:1"
    )
    # Why other numbers moved is said without --tickets too, and nothing is logged.
    assert "  Mill: moved by Hill -" in text
    assert "Written into the log" not in text
    _, text = command("harvest", folder, "--not-done", "Hill:1")
    assert text.splitlines()[0].startswith("Open again: Hill pass 1: ")
    assert "moved by" not in text
    keep_ticket(folder, planned.p50)
    _, text = command("harvest", folder, "--done", "Hill:1")
    assert text.splitlines()[0].endswith("bins came in.")
    assert "Is that meant" not in text


def test_a_ticket_that_belongs_nowhere_is_listed(folder: Path) -> None:
    keep_ticket(folder, 4, number=7)
    _, text = command("harvest", folder, "--tickets")
    assert "4 bins, left out: It is of pass 7, and the last one planned is 2." in text


# ---------------------------------------------------------------- rooms


def test_rooms_stand_beside_the_calendar_and_hold_what_is_picked(folder: Path) -> None:
    with open_farm(folder) as store:
        save_room(ColdRoom(name="North", bins=60), None, store, who="Ines")
    _, text = command("harvest", folder)
    assert "cold room" in text
    assert "North take 6 on that day" in text
    assert "more than the cold rooms take on that day, at P90." in text
    keep_ticket(folder, 5)
    with open_farm(folder) as store:
        forecast = forecast_of(store)
        now = harvest_now(forecast, read_harvest(store, forecast), Settings(draws=400))
    assert now.calendar.rooms is not None
    assert now.calendar.rooms.days[0].arriving.p10 == 5
    assert now.calendar.rooms.days[0].day == FIRST


def test_a_room_is_checked_kept_with_who_and_taken_off(folder: Path) -> None:
    room = ColdRoom(name="North", bins=500)
    with open_farm(folder) as store:
        for wrong, words in (
            (ColdRoom(name=" ", bins=5), "no name"),
            (ColdRoom(name="A", bins=0), "bins of the cold room"),
            (ColdRoom(name="A", bins=5, daily_share=1.5), "share of A"),
        ):
            with pytest.raises(FieldDataError, match=words):
                save_room(wrong, None, store, who="Ines")
        save_room(room, None, store, who="Ines")
        with pytest.raises(FieldDataError, match="already"):
            save_room(ColdRoom(name="North", bins=7), None, store, who="Paul")
        larger = ColdRoom(name="North", bins=600)
        save_room(larger, room, store, who="Paul")
        with pytest.raises(ConflictError):
            save_room(ColdRoom(name="North", bins=700), room, store, who="Ines")
        assert store.cold_rooms() == (larger,)
        take_room_off(larger, store, who="Paul")
        assert store.cold_rooms() == ()
        assert [one.who for one in store.changes(kind=ThingKind.COLD_ROOM)] == [
            "Paul", "Paul", "Ines",
        ]  # fmt: skip

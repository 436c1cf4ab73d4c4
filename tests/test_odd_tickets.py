"""Bin tickets that can hardly be meant: asked about in a table, left out on the command line."""

from datetime import date, timedelta
from pathlib import Path

import pytest

from fruitvision.papers.answers import Answers
from fruitvision.pipeline.learning import farm_score
from fruitvision.pipeline.odd_tickets import TIMES_P90, WINDOW_DAYS
from fruitvision.pipeline.packing import load_packing
from fruitvision.pipeline.papers import look_at, take_in
from fruitvision.store import FarmStore
from tests.records import PICK
from tests.test_bad_input import run
from tests.test_learning_farm import farm, walked  # noqa: F401

TODAY = PICK + timedelta(days=5)


def table(folder: Path, *rows: tuple[str, date, float]) -> Path:
    path = folder / "tickets.csv"
    lines = [f"{name},Hill,{day},{bins}" for name, day, bins in rows]
    path.write_text("\n".join(["ticket,block,picked_on,bins", *lines, ""]))
    return path


def p90(store: FarmStore) -> float:
    return next(one.bins.p90 for one in store.forecasts()[-1].blocks if one.name == "Hill")


@pytest.mark.parametrize(
    ("day", "word"),
    [
        (TODAY, ""),
        (TODAY + timedelta(days=1), "a day to come"),
        (PICK - timedelta(days=WINDOW_DAYS), ""),
        (PICK - timedelta(days=WINDOW_DAYS + 1), "far from the pick of Hill"),
        # Papers of earlier seasons are held against the day of the year.
        (PICK.replace(year=PICK.year - 1), ""),
        (date(PICK.year - 1, 12, 25), "far from the pick of Hill"),
    ],
)
def test_a_day_that_can_hardly_be_meant_is_asked_about(
    farm: FarmStore,  # noqa: F811
    tmp_path: Path,
    day: date,
    word: str,
) -> None:
    path = table(tmp_path, ("T1", day, 1.0))
    preview = look_at(path, farm, Answers(), today=TODAY)
    assert (preview.rows, len(preview.odd_tickets)) == ((0, 1) if word else (1, 0))
    assert all(word in one.why for one in preview.odd_tickets)


def test_more_bins_than_the_block_can_bear_are_asked_about_and_taken_at_a_yes(
    farm: FarmStore,  # noqa: F811
    tmp_path: Path,
) -> None:
    most = TIMES_P90 * p90(farm)
    rows = ("T1", PICK, most - 1.0), ("T2", PICK, 0.5), ("T3", PICK, most)
    path = table(tmp_path, *rows)
    preview = look_at(path, farm, Answers(), today=TODAY)
    # The largest one is it: without it the others can be.
    assert [(one.ticket.ticket, one.line) for one in preview.odd_tickets] == [("T3", 4)]
    assert preview.rows == 2
    take_in(path, farm, Answers(), who="Ines", today=TODAY)
    assert {one.ticket for one in farm.bin_tickets()} == {"T1", "T2"}
    take_in(path, farm, Answers(odd_lines=frozenset({4})), who="Ines", today=TODAY)
    assert {one.ticket for one in farm.bin_tickets()} == {"T1", "T2", "T3"}
    # What is there already is asked about no more.
    assert look_at(path, farm, Answers(), today=TODAY).odd_tickets == ()
    assert [one.block_id for one in farm_score(farm).being_picked] == ["Hill"]


def test_on_the_command_line_they_stay_out_until_they_are_confirmed(
    farm: FarmStore,  # noqa: F811
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("FRUITVISION_TODAY", str(TODAY))
    path = table(tmp_path, ("T1", PICK, 1.0), ("T2", TODAY + timedelta(days=99), 1.0))
    status, told = run("lots", "load", str(path), "--farm", str(farm.folder))
    assert status == 1
    assert "a day to come" in told
    assert "--odd" in told
    assert [one.ticket for one in farm.bin_tickets()] == ["T1"]
    status, told = run("table", "load", str(path), "--farm", str(farm.folder), "--yes")
    assert status == 1
    assert "--odd 3 if it is meant" in told
    assert len(farm.bin_tickets()) == 1
    status, _ = run("lots", "load", str(path), "--farm", str(farm.folder), "--odd")
    assert (status, len(farm.bin_tickets())) == (0, 2)


def test_a_season_without_forecast_asks_nothing_of_bins(
    farm: FarmStore,  # noqa: F811
    tmp_path: Path,
) -> None:
    loaded = load_packing(table(tmp_path, ("T1", PICK.replace(year=2024), 900.0)), farm)
    assert (loaded.tickets, loaded.refused) == (1, ())

"""A farm of the southern half-year: one harvest, of which one block is picked before New Year and
one after it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from fruitvision.domain import BinTicket, Forecast, KeptWalk, ThingKind, WalkPlan
from fruitvision.learning.corrections import before_pick
from fruitvision.learning.expected import ExpectedCrop, SizeMove
from fruitvision.packed_data import read_tickets
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.learning import accept, farm_score
from fruitvision.pipeline.odd_tickets import odd_tickets
from fruitvision.pipeline.packing import load_packing
from fruitvision.pipeline.picked import finished_passes, first_picks_of, mark_pass
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from tests.packed_season import papers
from tests.walked_farm import SETTINGS, add_block, add_calipers, add_hand_counts, add_walk

TABLE = load_size_table("box_counts_42lb")
EARLY, LATE = date(2026, 12, 19), date(2027, 1, 17)
MADE = date(2026, 11, 30)
WALKED = date(2026, 11, 23)


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The farm with its forecast; nobody may change it."""
    folder = tmp_path_factory.mktemp("southern") / "farm"
    with open_farm(folder, name="Larkhill") as store:
        for name, variety, day in (("Kestrel Top", "Gala", EARLY), ("Owl Bottom", "Fuji", LATE)):
            add_block(store, name, variety=variety, pick_date=day)
            walk = add_walk(store, name, day=WALKED)
            add_hand_counts(store, walk, day=WALKED)
            add_calipers(store, walk, mean_mm=62.0, day=WALKED - timedelta(days=21))
            add_calipers(store, walk, mean_mm=68.0, day=WALKED)
        forecast_farm(store, TABLE, SETTINGS, made_on=MADE)
    return folder


@pytest.fixture
def farm(walked: Path, tmp_path: Path) -> Iterator[FarmStore]:
    """A copy of it."""
    shutil.copytree(walked, tmp_path / "farm")
    with open_farm(tmp_path / "farm") as store:
        yield store


def keep_ticket(store: FarmStore, block: str, on: date, bins: float = 2.0) -> None:
    store.save_bin_tickets([BinTicket(ticket=f"{on}", block_id=block, picked_on=on, bins=bins)])


def packed_as_forecast(store: FarmStore, block: str, on: date) -> None:
    """Tickets and lots of a crop as it was forecast."""
    made = store.forecasts()[0]
    (inputs,) = (one for one in made.inputs if one.estimate.block.block_id == block)
    (crop,) = (one for one in made.blocks if one.name == block)
    expected = ExpectedCrop(inputs, TABLE, SETTINGS)
    shares, mean_kg = expected.shares(SizeMove())[1:-1], expected.mean_g(SizeMove()) / 1000
    fill = crop.fruit.p50 * shares * 0.8
    ticket, lot = papers(
        block,
        picked_on=on,
        bins=crop.fruit.p50 * mean_kg / SETTINGS.bin_kg,
        cartons=fill / [one.fruit_per_carton for one in TABLE.classes],
        culled_kg=(crop.fruit.p50 - fill.sum()) * mean_kg,
        table=TABLE,
    )
    store.save_bin_tickets([ticket])
    store.save_packed_lots([lot])


def being_picked(store: FarmStore) -> list[tuple[str, int]]:
    return [(one.block_id, one.season) for one in farm_score(store).being_picked]


def test_a_block_picked_before_new_year_is_not_judged_by_half_its_crop(farm: FarmStore) -> None:
    keep_ticket(farm, "Kestrel Top", EARLY)
    assert being_picked(farm) == [("Kestrel Top", 2026)]
    found = farm_score(farm)
    assert (found.found, found.proposals) == ((), ())
    # A walk of this harvest after New Year ends nothing, one of the next does.
    plan = WalkPlan(block_id="Owl Bottom", places=(), seed=1)
    farm.start_walk(KeptWalk(plan=plan, drawn_on=date(2027, 1, 9)))
    assert being_picked(farm) == [("Kestrel Top", 2026)]
    farm.start_walk(KeptWalk(plan=plan, drawn_on=date(2027, 11, 9)))
    assert being_picked(farm) == []


@pytest.mark.parametrize(("block", "day"), [("Kestrel Top", EARLY), ("Owl Bottom", LATE)])
def test_a_block_is_finished_on_either_side_of_new_year(
    farm: FarmStore, block: str, day: date
) -> None:
    (made,) = farm.forecasts()
    keep_ticket(farm, block, day)
    assert being_picked(farm) == [(block, day.year)]
    mark_pass((block, 1), made, farm, finished=True, who="Ines")
    assert being_picked(farm) == []
    (change,) = farm.changes(kind=ThingKind.PASS)
    assert change.about == f"{block} 1/1, {day.year}"
    mark_pass((block, 1), made, farm, finished=False, who="Ines")
    assert being_picked(farm) == [(block, day.year)]


def of_next_year(made: Forecast) -> dict[str, date]:
    return {name: day + timedelta(days=365) for name, day in first_picks_of(made).items()}


def test_a_mark_is_of_one_harvest_only(farm: FarmStore) -> None:
    (made,) = farm.forecasts()
    mark_pass(("Owl Bottom", 1), made, farm, finished=True, who="Ines")
    # The next pick of the same year, in December.
    assert finished_passes(farm, {"Owl Bottom": date(2027, 12, 30)}) == {}
    assert finished_passes(farm, of_next_year(made)) == {}
    # Its pick was moved into December meanwhile.
    assert finished_passes(farm, {"Owl Bottom": date(2026, 12, 30)}).keys() == {("Owl Bottom", 1)}


def test_marks_of_earlier_versions_are_found(farm: FarmStore) -> None:
    """They kept the year of the farm's first pick, and no day."""
    (made,) = farm.forecasts()
    fields = {"block": "Owl Bottom", "pass": 1, "season": 2026}
    farm.note_change(
        ThingKind.PASS,
        "Owl Bottom 1/1, 2026",
        {**fields, "finished": False},
        {**fields, "finished": True},
        who="Ines",
        at=datetime(2027, 1, 20, tzinfo=UTC),
    )
    assert finished_passes(farm, first_picks_of(made)).keys() == {("Owl Bottom", 1)}
    assert finished_passes(farm, of_next_year(made)) == {}
    keep_ticket(farm, "Owl Bottom", LATE)
    assert being_picked(farm) == []
    mark_pass(("Owl Bottom", 1), made, farm, finished=False, who="Ines")
    assert being_picked(farm) == [("Owl Bottom", 2027)]


def test_the_tickets_of_a_block_picked_over_new_year_are_of_one_season(farm: FarmStore) -> None:
    block = next(one for one in farm.blocks() if one.block_id == "Kestrel Top")
    farm.save_blocks([replace(block, pick_date=date(2026, 12, 29))])
    forecast_farm(farm, TABLE, SETTINGS, made_on=MADE)
    keep_ticket(farm, "Kestrel Top", date(2026, 12, 30), 2.0)
    keep_ticket(farm, "Kestrel Top", date(2027, 1, 4), 3.0)
    (result,) = farm_score(farm).being_picked
    assert (result.season, result.bins) == (2026, 5.0)


def test_bins_of_both_years_are_counted_together_against_what_a_block_can_bear(
    farm: FarmStore, tmp_path: Path
) -> None:
    crop = next(one for one in farm.forecasts()[0].blocks if one.name == "Kestrel Top")
    assert crop.bins is not None
    path, bins = tmp_path / "tickets.csv", round(1.2 * crop.bins.p90)
    path.write_text(
        "ticket,block,picked_on,bins\n"
        f"1,Kestrel Top,2026-12-30,{bins}\n2,Kestrel Top,2027-01-04,{bins}\n"
    )
    odd = odd_tickets(read_tickets(path), farm)
    assert [one.why.split(" would")[0] for one in odd] == ["Kestrel Top"]
    assert load_packing(path, farm).tickets == 1


def test_a_season_is_judged_by_its_forecast_once_it_is_over(farm: FarmStore) -> None:
    (made,) = farm.forecasts()
    for name, day in (("Kestrel Top", EARLY), ("Owl Bottom", LATE)):
        keep_ticket(farm, name, day, 8.0)
        mark_pass((name, 1), made, farm, finished=True, who="Ines")
    found = farm_score(farm)
    assert found.being_picked == ()
    assert {(one.block_id, one.season) for one in found.found} == {
        ("Kestrel Top", 2026),
        ("Owl Bottom", 2027),
    }


def test_one_harvest_is_one_season_of_the_farm_and_corrects_the_next(farm: FarmStore) -> None:
    (made,) = farm.forecasts()
    for name, day in (("Kestrel Top", EARLY), ("Owl Bottom", LATE)):
        packed_as_forecast(farm, name, day)
        mark_pass((name, 1), made, farm, finished=True, who="Ines")
    proposals = farm_score(farm).proposals
    assert [(one.seasons, one.results) for one in proposals] == [(1, 1), (1, 1)]
    (choice,) = accept(["Kestrel Top"], farm, who="Ines")
    # Owl Bottom's result is of 2027; so is Kestrel Top's next pick, and it is of the next harvest.
    assert before_pick([choice], date(2027, 12, 15)) == choice
    # Nothing of this harvest is corrected by itself.
    for day in (EARLY, LATE, date(2027, 5, 20)):
        assert before_pick([choice], day) is None

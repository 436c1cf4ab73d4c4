"""From the papers of the packing house to the next forecast of a farm, and back to none."""

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from math import exp
from pathlib import Path

import pytest

from fruitvision.domain import (
    Forecast,
    KeptWalk,
    LearnedChoice,
    NameMapping,
    PackedLot,
    Pick,
    PickPlan,
    SeasonNote,
    Stage,
    ThingKind,
    WalkPlan,
)
from fruitvision.errors import FieldDataError, ForecastError
from fruitvision.learning.expected import ExpectedCrop, SizeMove
from fruitvision.learning.matching import SeasonResult, season_results
from fruitvision.learning.seasons import chosen_forecasts
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.learning import (
    accept,
    assumed_culls,
    farm_score,
    refuse,
    track_record,
)
from fruitvision.pipeline.packing import load_packing, note_season, season_note
from fruitvision.pipeline.picked import mark_pass
from fruitvision.pipeline.sales import freeze
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from tests.packed_season import papers
from tests.records import PICK
from tests.walked_farm import SETTINGS, add_good_block

TABLE = load_size_table("box_counts_42lb")
MONDAY = date(2026, 8, 17)
# A season before this farm's own.
PICK_BEFORE = PICK - timedelta(days=365)


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A farm of two blocks of which a forecast was made; nobody may change it."""
    folder = tmp_path_factory.mktemp("walked") / "farm"
    with open_farm(folder, name="Larkhill") as store:
        add_good_block(store, "Hill")
        add_good_block(store, "Mill", variety="Fuji")
        make(store)
    return folder


@pytest.fixture
def farm(walked: Path, tmp_path: Path) -> Iterator[FarmStore]:
    """A copy of it."""
    shutil.copytree(walked, tmp_path / "farm")
    with open_farm(tmp_path / "farm") as store:
        yield store


def make(store: FarmStore, made_on: date = MONDAY) -> Forecast:
    made, refused = forecast_farm(store, TABLE, SETTINGS, made_on=made_on)
    assert not refused
    return made


def packed(
    store: FarmStore,
    *,
    fruit: float = 1.2,
    mm: float = 0.0,
    block: str = "Hill",
    finished: bool = True,
) -> None:
    """What came in: so many times the forecast's fruit, so many mm larger; the harvest of the block
    is `finished`, as somebody said."""
    made = store.forecasts()[0]
    (inputs,) = (one for one in made.inputs if one.estimate.block.block_id == block)
    (crop,) = (one for one in made.blocks if one.name == block)
    expected = ExpectedCrop(inputs, TABLE, SETTINGS)
    number, move = fruit * crop.fruit.p50, SizeMove(mm=mm)
    fill = number * expected.shares(move)[1:-1] * 0.8
    ticket, lot = papers(
        block,
        picked_on=PICK,
        bins=number * expected.mean_g(move) / 1000 / SETTINGS.bin_kg,
        cartons=fill / [one.fruit_per_carton for one in TABLE.classes],
        culled_kg=(number - fill.sum()) * expected.mean_g(move) / 1000,
        table=TABLE,
    )
    store.save_bin_tickets([ticket])
    store.save_packed_lots([lot])
    if finished:
        mark_pass((block, 1), made, store, finished=True, who="Ines")


def of_last_year(store: FarmStore) -> None:
    """What was accepted just now was learned of the season before this farm's own."""
    for choice in store.learned_choices():
        by_stage = tuple(
            replace(one, latest_season=2025, latest_pick=PICK_BEFORE) for one in choice.by_stage
        )
        store.save_learned_choice(replace(choice, by_stage=by_stage))


def harvested_results(store: FarmStore) -> tuple[SeasonResult, ...]:
    return season_results(
        store.bin_tickets(), store.packed_lots(), (), store.blocks(), {"Hill": [PICK]}
    ).results


def fruit_of(forecast: Forecast, block: str = "Hill") -> float:
    return next(one.fruit.p50 for one in forecast.blocks if one.name == block)


# ---------------------------------------------------------------- the score


def test_without_papers_there_is_no_history_and_nothing_to_accept(farm: FarmStore) -> None:
    found = farm_score(farm)
    assert (found.score.coverage, found.found, found.loose, found.proposals) == (None, (), (), ())
    assert track_record(farm) is None
    with pytest.raises(ForecastError, match="Nothing was learned yet"):
        accept(["all"], farm, who="Ines")


def test_a_crop_inside_its_range_is_on_record_and_one_outside_too(farm: FarmStore) -> None:
    packed(farm, fruit=1.0)
    packed(farm, fruit=1.5, block="Mill")
    found = track_record(farm)
    assert (found.inside, found.of) == (1, 2)
    assert track_record(farm, Stage.OUTLOOK) is None
    of_gala = track_record(farm, Stage.PLAN, "Gala")
    assert (of_gala.inside, of_gala.of) == (1, 1)
    score = farm_score(farm).score
    fuji = next(one for one in score.varieties if one.variety == "Fuji")
    assert fuji.count == pytest.approx(1 / 1.5 - 1, abs=0.005)
    assert fuji.main_cause == "count"
    assert (fuji.days_before, fuji.trees, fuji.hand_counts) == ((PICK - MONDAY).days, 12, 6)


def test_papers_do_not_change_a_forecast_that_was_made(farm: FarmStore) -> None:
    (before,) = farm.forecasts()
    freeze(farm, by="Ines", at=datetime(2026, 8, 17, tzinfo=UTC))
    packed(farm)
    accept(["all"], farm, who="Ines")
    assert farm.forecasts() == (before,)
    assert farm_score(farm).found[0].frozen


# ---------------------------------------------------------------- a harvest under way


def test_a_harvest_under_way_is_not_judged_and_teaches_nothing(farm: FarmStore) -> None:
    packed(farm, fruit=0.5, finished=False)
    found = farm_score(farm)
    assert (found.score.coverage, found.found, found.proposals) == (None, (), ())
    assert [one.block_id for one in found.being_picked] == ["Hill"]
    assert track_record(farm) is None
    mark_pass(("Hill", 1), farm.forecasts()[0], farm, finished=True, who="Ines")
    found = farm_score(farm)
    assert (found.score.coverage.of, found.being_picked) == (1, ())
    # It goes on after all.
    mark_pass(("Hill", 1), farm.forecasts()[0], farm, finished=False, who="Ines")
    assert farm_score(farm).score.coverage is None


def test_only_the_last_pass_ends_a_harvest(farm: FarmStore) -> None:
    picks = (Pick(pick_date=PICK, share=0.5), Pick(pick_date=PICK + timedelta(days=8), share=0.5))
    farm.save_pick_plan("Hill", PickPlan(picks=picks))
    make(farm, MONDAY + timedelta(days=1))
    packed(farm)
    assert farm_score(farm).score.coverage is None
    mark_pass(("Hill", 2), farm.forecasts()[-1], farm, finished=True, who="Ines")
    assert farm_score(farm).score.coverage.of == 1


def test_a_season_is_over_when_the_next_one_is_walked(farm: FarmStore) -> None:
    packed(farm, finished=False)
    assert farm_score(farm).score.coverage is None
    plan = WalkPlan(block_id="Mill", places=(), seed=1)
    farm.start_walk(KeptWalk(plan=plan, drawn_on=date(2027, 8, 9)))
    assert farm_score(farm).score.coverage.of == 1


def test_a_season_does_not_correct_itself(farm: FarmStore) -> None:
    packed(farm)
    before = farm.forecasts()[0]
    (choice,) = accept(["Mill"], farm, who="Ines")
    assert {one.latest_season for one in choice.by_stage} == {2026}
    after = make(farm, MONDAY + timedelta(days=1))
    assert all(one.learned is None for one in after.inputs)
    assert fruit_of(after, "Mill") == fruit_of(before, "Mill")


def test_a_forecast_that_knew_its_own_season_is_on_no_record(farm: FarmStore) -> None:
    packed(farm)
    learned = farm_score(farm).proposals[0].of(Stage.PLAN)
    first = farm.forecasts()[0]
    for latest, used in ((2025, "later"), (2026, first.forecast_id), (0, first.forecast_id)):
        corrected = replace(learned, latest_season=latest, latest_pick=None)
        inputs = tuple(replace(one, learned=corrected) for one in first.inputs)
        later = replace(first, forecast_id="later", inputs=inputs)
        result = harvested_results(farm)[0]
        (chosen,) = chosen_forecasts([first, later], (), result)
        assert chosen.forecast_id == used


def test_a_correction_that_is_not_believable_is_not_offered(farm: FarmStore) -> None:
    packed(farm, fruit=40.0)
    hill, mill = farm_score(farm).proposals
    assert not hill.believable
    assert hill.far_off == mill.far_off == ("Hill 2026",)
    with pytest.raises(ForecastError, match="not believable") as told:
        accept(["Hill"], farm, who="Ines")
    assert "Check the tickets of Hill 2026" in told.value.fix
    # Nobody is kept from saying no.
    assert len(refuse(["all"], farm, who="Ines")) == 2


# ---------------------------------------------------------------- accepted, refused, left out


def test_nothing_is_applied_that_nobody_accepted(farm: FarmStore) -> None:
    packed(farm)
    again = make(farm, MONDAY + timedelta(days=1))
    assert fruit_of(again) == fruit_of(farm.forecasts()[0])
    (hill, mill) = farm_score(farm).proposals
    assert 0.02 < hill.of(Stage.PLAN).count.value < 0.1
    assert 0 < mill.of(Stage.PLAN).count.value < hill.of(Stage.PLAN).count.value
    assert (hill.results, mill.results, hill.seasons) == (1, 0, 1)
    assert hill.choice is None


def test_what_was_accepted_moves_the_next_forecast_and_the_bridge_says_so(farm: FarmStore) -> None:
    packed(farm, mm=1.5)
    before = farm.forecasts()[0]
    (choice,) = accept(["Hill"], farm, who="Ines", note="same trees")
    of_last_year(farm)
    after = make(farm, MONDAY + timedelta(days=1))
    proposed = next(one for one in choice.by_stage if one.stage is Stage.PLAN)
    assert fruit_of(after) / fruit_of(before) == pytest.approx(exp(proposed.count.value), rel=0.02)
    assert fruit_of(after, "Mill") == fruit_of(before, "Mill")
    (hill,) = (one for one in after.inputs if one.estimate.block.block_id == "Hill")
    assert hill.learned == replace(
        proposed, who="Ines", latest_season=2025, latest_pick=PICK_BEFORE
    )
    assert "accepted by Ines" in next(one.rests_on for one in after.blocks if one.name == "Hill")
    steps = {one.cause: one.cartons for one in after.bridge.steps}
    assert steps["learned"] == pytest.approx(after.bridge.cartons - after.bridge.earlier_cartons)
    assert steps["learned"] > 0
    # The same inputs, the same forecast: what was learned is part of its id.
    assert make(farm, MONDAY + timedelta(days=1)).forecast_id == after.forecast_id
    assert after.forecast_id.split("-")[-1] != before.forecast_id.split("-")[-1]
    # A season later the next error is told against the forecast without it.
    hill_now, _ = farm_score(farm).proposals
    assert hill_now.of(Stage.PLAN).count.value == pytest.approx(proposed.count.value, abs=0.01)


def test_what_was_refused_is_used_no_longer(farm: FarmStore) -> None:
    packed(farm)
    first = make(farm, MONDAY + timedelta(days=1))
    accept(["Gala"], farm, who="Ines")
    of_last_year(farm)
    assert fruit_of(make(farm, MONDAY + timedelta(days=2))) > fruit_of(first)
    (choice,) = refuse(["all"], farm, who="Paul")[:1]
    assert (choice.accepted, choice.by_stage, choice.who) == (False, (), "Paul")
    assert fruit_of(make(farm, MONDAY + timedelta(days=3))) == fruit_of(first)
    assert [one.who for one in farm.learned_choices()] == ["Ines", "Ines", "Paul", "Paul"]
    changes = farm.changes(kind=ThingKind.LEARNED)
    assert [(one.about, one.after) for one in changes][-1] == ("Hill", {"accepted": True})
    # Said again, nothing is kept.
    assert refuse(["all"], farm, who="Paul") == ()


def test_names_that_are_none_are_refused(farm: FarmStore) -> None:
    packed(farm)
    with pytest.raises(ForecastError, match="no block or variety 'Hil'"):
        accept(["Hil"], farm, who="Ines")
    with pytest.raises(ForecastError, match="by somebody"):
        accept(["Hill"], farm, who=" ")


def test_scenario_50_a_hail_year_left_out_changes_nothing(farm: FarmStore) -> None:
    packed(farm, block="Mill", fruit=1.05)
    before = farm_score(farm).proposals
    packed(farm, block="Hill", fruit=0.5)
    assert farm_score(farm).proposals != before
    note_season(SeasonNote(block_id="Hill", season=2026, left_out="hail"), None, farm, who="Ines")
    after = farm_score(farm)
    assert [one.by_stage for one in after.proposals] == [one.by_stage for one in before]
    assert after.proposals[0].left_out == ("2026: hail",)
    assert (after.score.left_out, after.score.coverage.of) == (1, 1)


def test_culls_learned_against_other_assumptions_are_not_used(farm: FarmStore) -> None:
    packed(farm)
    (choice,) = accept(["Hill"], farm, who="Ines")
    of_last_year(farm)
    assert choice.by_stage[0].cull_base == pytest.approx(0.2)
    fewer, _ = forecast_farm(
        farm, TABLE, replace(SETTINGS, cull_share=0.3), made_on=MONDAY + timedelta(days=1)
    )
    (hill,) = (one for one in fewer.inputs if one.estimate.block.block_id == "Hill")
    assert hill.learned.cull.value == hill.learned.cull.error == 0.0
    assert hill.learned.count == choice.by_stage[2].count
    assert assumed_culls(hill, TABLE, SETTINGS) == pytest.approx(0.3)


# ---------------------------------------------------------------- tables and notes


def test_a_folder_of_the_packing_house_is_loaded_with_names_as_they_were_mapped(
    farm: FarmStore, tmp_path: Path
) -> None:
    at = datetime(2026, 10, 1, tzinfo=UTC)
    farm.save_names([NameMapping(kind="block", written="HILL 4", meant="Hill", who="Ines", at=at)])
    folder = tmp_path / "house"
    folder.mkdir()
    (folder / "tickets.csv").write_text(
        "ticket,block,picked_on,bins,lot\n1,HILL 4,2026-09-03,12,L1\n2,Mil,2026-09-03,3,L1\n"
        "3,Hill,2026-09-03,x,L1\n"
    )
    (folder / "packed.csv").write_text(
        "lot,packed_on,size_class,cartons\nL1,2026-10-01,113,150\nL2,2026-10-02,113,20\n"
    )
    (folder / "lots.csv").write_text("lot,block,bins\nL2,Hill,2\nL9,Hill,5\n")
    loaded = load_packing(folder, farm, who="Ines")
    assert (loaded.tickets, loaded.lots, loaded.parts) == (2, 2, 1)
    assert [one.what.split(".")[0] for one in loaded.refused] == [
        "bins is 'x', which is no number",
        "There is no packed lot L9",
    ]
    mark_pass(("Hill", 1), farm.forecasts()[0], farm, finished=True, who="Ines")
    found = farm_score(farm)
    assert {one.name for one in found.loose} >= {"Tickets of 'Mil', 3 bins", "Lot L1"}
    # 12 of 15 bins of the mixed lot.
    assert found.found[0].packed_share == pytest.approx(14 / 14)
    assert farm.changes(kind=ThingKind.TABLE)[0].who == "Ines"
    # The same again changes nothing.
    before = farm.bin_tickets(), farm.packed_lots()
    load_packing(folder, farm, who="Ines")
    assert (farm.bin_tickets(), farm.packed_lots()) == before


def test_a_number_of_another_season_replaces_nothing(farm: FarmStore, tmp_path: Path) -> None:
    path = tmp_path / "anything.csv"
    path.write_text("ticket,block,picked_on,bins\n1,Hill,2026-09-03,12\n")
    assert load_packing(path, farm).tickets == 1
    path.write_text("ticket,block,picked_on,bins\n1,Hill,2027-09-03,9\n")
    again = load_packing(path, farm)
    assert again.tickets == 0
    assert "Ticket 1 is known of 2026-09-03 already." in again.refused[0].what
    assert farm.bin_tickets()[0].bins == 12


def test_a_folder_without_any_table_is_told(farm: FarmStore, tmp_path: Path) -> None:
    with pytest.raises(FieldDataError, match="no table of the packing house"):
        load_packing(tmp_path, farm)


def test_a_note_is_kept_with_who_wrote_it_and_checked(farm: FarmStore) -> None:
    note = SeasonNote(block_id="Hill", season=2026, left_bins=2.5)
    note_season(note, None, farm, who="Ines")
    assert season_note(farm, "Hill", 2026) == note
    assert farm.season_notes() == (note,)
    change = farm.changes(kind=ThingKind.SEASON_NOTE)[0]
    assert (change.who, change.after["left_bins"]) == ("Ines", 2.5)
    with pytest.raises(FieldDataError, match=r"Bins stolen are -1\."):
        note_season(replace(note, stolen_bins=-1.0), note, farm, who="Ines")
    with pytest.raises(FieldDataError, match="no block 'Hil'"):
        note_season(replace(note, block_id="Hil"), None, farm, who="Ines")


def test_lots_and_choices_come_back_from_the_store_as_they_went_in(farm: FarmStore) -> None:
    packed(farm)
    lots = farm.packed_lots()
    farm.save_packed_lots([replace(lots[0], cull_share=0.25)])
    assert farm.packed_lots()[0].cull_share == 0.25
    assert isinstance(farm.packed_lots()[0], PackedLot)
    (choice,) = accept(["Hill"], farm, who="Ines")
    assert isinstance(choice, LearnedChoice)
    assert farm.learned_choices() == (choice,)
    assert choice.number == 1

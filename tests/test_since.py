"""What changed since a forecast was made is named, and what moves none of its numbers is not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from fruitvision.domain import Forecast, Pick, PickPlan
from fruitvision.pipeline import Choices, estimate_blocks, forecast_farm
from fruitvision.pipeline.since import BlockSince, SinceForecast, since_forecast
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from tests.records import PICK, WALK
from tests.walked_farm import SETTINGS, add_good_block, add_hand_counts, add_walk, trees_of

TABLE = load_size_table("box_counts_42lb")
LATER = PICK + timedelta(days=41)


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "Hill")
        add_good_block(store, "Brook", variety="Fuji")
        yield store


def make(store: FarmStore, choices: Choices | None = None) -> Forecast:
    made, _ = forecast_farm(
        store, TABLE, SETTINGS, made_on=date(2026, 8, 17), choices=choices or Choices()
    )
    return next((one for one in store.forecasts() if one.forecast_id == made.forecast_id), made)


def since(store: FarmStore, forecast: Forecast, settings: Settings = SETTINGS) -> SinceForecast:
    walks, _ = estimate_blocks(store, settings)
    return since_forecast(forecast, store, settings, walks=walks)


def test_nothing_changed_since_a_forecast_that_was_just_made(farm: FarmStore) -> None:
    made = make(farm)
    assert since(farm, made) == SinceForecast()
    assert not since(farm, made).anything


def test_a_pick_date_that_was_moved_is_told_with_both_days(farm: FarmStore) -> None:
    made = make(farm)
    (block,) = (one for one in farm.blocks() if one.block_id == "Hill")
    farm.save_blocks([replace(block, pick_date=LATER)])
    found = since(farm, made)
    assert found.blocks == (BlockSince(block_id="Hill", pick_then=PICK, pick_now=LATER),)
    assert found.of("Brook") is None
    farm.save_blocks([replace(block, pick_date=None)])
    (gone,) = since(farm, made).blocks
    assert (gone.pick_now, gone.causes) == (None, ("unknown",))


def test_another_plan_with_the_same_first_day_is_a_change_of_the_plan(farm: FarmStore) -> None:
    made = make(farm)
    days = (PICK, PICK + timedelta(days=8))
    picks = tuple(Pick(pick_date=day, share=0.5) for day in days)
    farm.save_pick_plan("Hill", PickPlan(picks=picks))
    (found,) = since(farm, made).blocks
    assert not found.pick_moved
    assert found.causes == ("pick_plan",)


def test_hand_counts_and_photos_that_came_later_are_named(farm: FarmStore) -> None:
    made = make(farm)
    add_hand_counts(farm, trees_of("Hill"), factor=1.9)
    found = since(farm, made).of("Hill")
    assert found is not None
    assert found.causes == ("hand_counts",)
    later = make(farm)
    add_walk(farm, "Hill", day=WALK + timedelta(days=5), loads=lambda index: 60)
    found = since(farm, later).of("Hill")
    assert found is not None
    assert "photos" in found.causes


def test_settings_are_named_and_targets_are_no_change(farm: FarmStore) -> None:
    made = make(farm)
    assert since(farm, made, replace(SETTINGS, drop_share=0.09)).settings == ("drop_share",)
    (block,) = (one for one in farm.blocks() if one.block_id == "Hill")
    farm.save_blocks([replace(block, target_fruit_per_tree=44.0, target_diameter_mm=70.0)])
    assert not since(farm, made).anything


def test_nothing_is_said_of_a_what_if(farm: FarmStore) -> None:
    assert not since(farm, make(farm, Choices(pick_shift_days=3, keep=True))).anything

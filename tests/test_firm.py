"""What may be promised of a forecast with blocks that are a first look; the cause `other`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from fruitvision.domain import CropForecast, Estimate, Forecast
from fruitvision.errors import ForecastError
from fruitvision.forecast.change import changes_by_class
from fruitvision.forecast.firm import firm_part, without_blocks
from fruitvision.forecast.other_cause import other_cause
from fruitvision.forecast.summary import ALL
from fruitvision.forecast.uses import blocks_of, to_promise
from fruitvision.forecast.words import use_quantiles
from fruitvision.pipeline import forecast_farm
from fruitvision.report import forecast_lines
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from fruitvision.worth import worth_of_farm
from tests.walked_farm import (
    SETTINGS,
    add_block,
    add_good_block,
    add_hand_counts,
    add_walk,
    trees_of,
)

TABLE = load_size_table("box_counts_42lb")


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "Hill")
        yield store


def add_first_look(store: FarmStore, name: str, variety: str = "Gala") -> None:
    add_block(store, name, variety=variety)
    walked = add_walk(store, name, trees=trees_of(name, 6))
    add_hand_counts(store, walked)


def make(store: FarmStore, settings: Settings = SETTINGS) -> Forecast:
    made, _ = forecast_farm(store, TABLE, settings, made_on=date(2026, 8, 17))
    return made


def variety(forecast: Forecast, name: str = "Gala") -> CropForecast:
    return next(crop for crop in forecast.varieties if crop.variety == name)


def test_without_a_first_look_all_stays_as_it_is(farm: FarmStore) -> None:
    made = make(farm)
    found = firm_part(made)
    assert found.forecast is made
    assert found.left_out == ()


def test_the_lines_of_a_variety_are_those_of_its_firm_blocks(farm: FarmStore) -> None:
    add_first_look(farm, "Small")
    made = make(farm)
    found = firm_part(made)
    assert found.left_out == ("Small",)
    gala, (hill, _) = variety(found.forecast), blocks_of(variety(made), made)
    # The only firm block: its own draws, week for week and class for class.
    assert gala.weeks == hill.weeks
    assert gala.classes == hill.classes
    assert gala.cartons == hill.cartons
    assert variety(made).cartons.p50 > 1.2 * gala.cartons.p50
    quantiles = use_quantiles(SETTINGS)
    assert gala.cartons.p10 == to_promise(variety(made), blocks_of(variety(made), made), quantiles)


def test_of_two_firm_blocks_no_line_promises_more_than_their_sum(farm: FarmStore) -> None:
    add_good_block(farm, "Mill")
    add_first_look(farm, "Small")
    made = make(farm)
    gala = variety(firm_part(made).forecast)
    firm = [one for one in made.blocks if one.name != "Small"]
    for row in gala.weeks:
        of_blocks = [one for block in firm for one in block.weeks if one.week == row.week]
        of_class = [one.cartons.p10 for one in of_blocks if one.size_class == row.size_class]
        assert row.cartons.p10 <= sum(of_class) + 1e-9
        assert row.cartons.p10 <= row.cartons.p50 <= row.cartons.p90
    quantiles = use_quantiles(SETTINGS)
    promised = to_promise(variety(made), blocks_of(variety(made), made), quantiles)
    assert gala.cartons.p10 == pytest.approx(promised)


def test_a_variety_that_is_a_first_look_has_nothing_at_p10(farm: FarmStore) -> None:
    add_first_look(farm, "Slope", variety="Fuji")
    made = make(farm)
    fuji = variety(firm_part(made).forecast, "Fuji")
    assert {row.cartons.p10 for row in fuji.weeks} <= {0.0}
    assert fuji.cartons is None or fuji.cartons.p10 == 0.0
    assert variety(firm_part(made).forecast) == variety(made)


def test_means_of_the_firm_blocks_add_up_to_theirs(farm: FarmStore) -> None:
    made = make(farm)
    add_first_look(farm, "Small")
    later = make(farm)
    firm = firm_part(later)
    found = changes_by_class(without_blocks(made, firm.left_out), firm.forecast)
    # The new block lends its counts to the other: a fiftieth of a carton. All of it is far more.
    assert abs(sum(one.change for one in found)) < 0.5
    assert sum(one.change for one in changes_by_class(made, later)) > 100
    assert {one.size_class for one in found} >= {
        row.size_class for row in variety(firm.forecast).weeks if row.size_class != ALL
    }


def test_a_forecast_that_can_not_be_drawn_again_says_so(farm: FarmStore) -> None:
    add_first_look(farm, "Small")
    with pytest.raises(ForecastError, match="earlier version"):
        firm_part(replace(make(farm), table=None))


def test_a_pick_that_is_past_is_promised_and_measured_no_more(farm: FarmStore) -> None:
    made, _ = forecast_farm(farm, TABLE, SETTINGS, made_on=date(2026, 10, 17))
    assert firm_part(made).left_out == ("Hill",)
    assert variety(firm_part(made).forecast).cartons == _nothing_at_p10(made)
    assert made.next_action == "The pick date is past: set it anew (Hill)."
    (worth,) = worth_of_farm(made, (), SETTINGS).blocks
    assert (worth.past, worth.measures) == (True, ())
    text = "\n".join(forecast_lines(made))
    assert "Nothing is promised of Hill: the pick date was past" in text
    assert "to promise 0 cartons" in " ".join(text.split())


def _nothing_at_p10(made: Forecast) -> Estimate:
    cartons = variety(made).cartons
    assert cartons is not None
    return Estimate(0.0, cartons.p50, cartons.p90)


# ---------------------------------------------------------------- the cause "other"


def test_blocks_that_came_and_went_and_settings_are_named(farm: FarmStore) -> None:
    first = make(farm)
    add_good_block(farm, "Mill")
    second = make(farm, replace(SETTINGS, cull_share=0.3))
    found = other_cause(first, second)
    assert (found.came, found.went, found.settings) == (("Mill",), (), ("cull_share",))
    assert other_cause(second, first).went == ("Mill",)
    assert not other_cause(first, first).is_known
    (line,) = (one for one in forecast_lines(second, earlier=first) if "other " in one)
    assert line.endswith("(new block Mill; settings cull_share)")


def test_the_last_step_is_the_new_block(farm: FarmStore) -> None:
    make(farm)
    add_good_block(farm, "Mill")
    second = make(farm)
    assert second.bridge is not None
    steps = {step.cause: step.cartons for step in second.bridge.steps}
    assert steps["other"] > 0.9 * sum(abs(cartons) for cartons in steps.values())

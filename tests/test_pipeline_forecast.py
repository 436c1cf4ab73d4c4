"""What the farm keeps reaches its forecast; forecasts are numbered, explained, never changed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from scipy.stats import norm

from fruitvision.domain import (
    BlockInputs,
    CropForecast,
    Doubt,
    Forecast,
    Pick,
    PickPlan,
    TreeId,
    TreeKind,
    WeighedFruit,
)
from fruitvision.errors import ForecastError
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.growth import Weather
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import Heading, summarise
from fruitvision.forecast.uses import use_numbers
from fruitvision.pipeline import Choices, Refused, forecast_farm
from fruitvision.pipeline.office import load_tables
from fruitvision.records import from_json, to_json
from fruitvision.report import bridge_lines, forecast_lines
from fruitvision.settings import settings_from_text
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm
from tests.farm_records import forecast as old_forecast
from tests.forecast_records import EXACT, block_estimate, block_inputs, exact_sizes
from tests.records import PICK, WALK
from tests.walked_farm import (
    SETTINGS,
    add_block,
    add_good_block,
    add_hand_counts,
    add_register,
    add_walk,
    trees_of,
)

TABLE = load_size_table("box_counts_42lb")
MONDAY = date(2026, 8, 17)
TWO_PASSES = PickPlan(
    picks=(Pick(pick_date=PICK, share=0.4), Pick(pick_date=PICK + timedelta(days=8), share=0.6))
)


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[FarmStore]:
    with open_farm(tmp_path / "farm", name="Larkhill") as store:
        add_good_block(store, "Hill")
        yield store


def make(store: FarmStore, **changes: object) -> Forecast:
    made, refused = forecast_farm(
        store,
        TABLE,
        SETTINGS,
        **{"made_on": MONDAY, **changes},  # type: ignore[arg-type]
    )
    assert not refused
    return made


def inputs_of(forecast: Forecast, name: str = "Hill") -> BlockInputs:
    return next(one for one in forecast.inputs if one.estimate.block.block_id == name)


def crop_of(forecast: Forecast, name: str = "Hill") -> CropForecast:
    return next(crop for crop in forecast.blocks if crop.name == name)


def weigh(store: FarmStore, number: int, *, factor: float = 4.2e-4, day: date = WALK) -> None:
    store.save_weighed_fruit(
        WeighedFruit(
            variety="Gala",
            weighed_on=day,
            diameter_mm=60 + n,
            mass_g=factor * (60 + n) ** 3 * (1 + 0.02 * (-1) ** n),
            fruit=str(n),
        )
        for n in range(number)
    )


# ---------------------------------------------------------------- inputs


def test_one_pass_on_the_pick_date_and_general_rules_are_what_a_bare_farm_has(
    farm: FarmStore,
) -> None:
    inputs = inputs_of(make(farm))
    assert inputs.plan.picks == (Pick(pick_date=PICK),)
    assert inputs.weight.doubts == (Doubt.DEFAULT_WEIGHT,)
    assert inputs.losses.drop_share == SETTINGS.drop_share


def test_passes_weights_and_register_of_the_store_are_used(farm: FarmStore) -> None:
    farm.save_pick_plan("Hill", TWO_PASSES)
    weigh(farm, 20)
    add_register(farm, "Hill", kinds={TreeId("Hill", 10, 30): TreeKind.MISSING})
    forecast = make(farm)
    inputs = inputs_of(forecast)
    assert inputs.plan == TWO_PASSES
    assert inputs.weight.source == "20 weighed fruit of Gala"
    assert inputs.weight.power == pytest.approx(3, abs=0.1)
    assert inputs.estimate.bearing_trees == 299
    assert [one.pick_date for one in crop_of(forecast).picks] == [
        pick.pick_date for pick in TWO_PASSES.picks
    ]
    # 3 September is in week 36, 11 September in week 37.
    weeks = sorted({row.week for row in crop_of(forecast).weeks})
    assert weeks == [date(2026, 8, 31), date(2026, 9, 7)]


def test_fruit_weighed_this_season_count_alone_where_they_are_enough(farm: FarmStore) -> None:
    weigh(farm, 12, factor=3.0e-4, day=WALK - timedelta(days=364))
    assert "12 weighed fruit" in inputs_of(make(farm)).weight.source
    weigh(farm, 15, factor=4.2e-4)
    weight = inputs_of(make(farm)).weight
    assert weight.source == "15 weighed fruit of Gala"
    # 4.2e-4 · 65³ = 115 g; with last year's it would be 101 g.
    assert weight.factor * 65**weight.power == pytest.approx(115.3, rel=0.02)


def test_weights_that_go_down_with_diameter_stop_the_blocks_of_their_variety(
    farm: FarmStore,
) -> None:
    add_good_block(farm, "Slope", variety="Fuji")
    farm.save_weighed_fruit(
        WeighedFruit(
            variety="Gala", weighed_on=WALK, diameter_mm=60 + n, mass_g=200 - 3 * n, fruit=str(n)
        )
        for n in range(20)
    )
    made, refused = forecast_farm(farm, TABLE, SETTINGS, made_on=MONDAY)
    assert [crop.name for crop in made.blocks] == ["Slope"]
    assert refused[0].name == "Hill"
    assert "go down with the diameter" in refused[0].what


def test_a_given_pick_date_moves_all_passes(farm: FarmStore) -> None:
    farm.save_pick_plan("Hill", TWO_PASSES)
    later = PICK + timedelta(days=3)
    plan = inputs_of(make(farm, pick_dates={"Hill": later})).plan
    assert [pick.pick_date for pick in plan.picks] == [later, later + timedelta(days=8)]


def test_the_settings_doubt_of_a_pick_day_holds_for_passes_without_their_own(
    farm: FarmStore,
) -> None:
    sure, unsure = TWO_PASSES.picks
    farm.save_pick_plan(
        "Hill", replace(TWO_PASSES, picks=(replace(sure, date_error_days=1.0), unsure))
    )
    settings = replace(SETTINGS, pick_date_error_days=4.0)
    made, _ = forecast_farm(farm, TABLE, settings, made_on=MONDAY)
    assert [pick.date_error_days for pick in inputs_of(made).plan.picks] == [1.0, 4.0]


def test_passes_without_a_step_of_their_own_follow_the_setting(
    farm: FarmStore, tmp_path: Path
) -> None:
    path = tmp_path / "picks.csv"
    lines = ("block,pick_date,share,doubling_g", f"Hill,{PICK},0.4,", "Hill,2026-09-30,0.6,")
    path.write_text("\n".join(lines), encoding="utf-8")
    load_tables({"picks": path}, farm, farm.blocks())
    steep, _ = forecast_farm(farm, TABLE, replace(SETTINGS, pick_doubling_g=12.0), made_on=MONDAY)
    assert inputs_of(steep).plan.doubling_g == 12.0
    assert inputs_of(make(farm)).plan.doubling_g == 20.0
    path.write_text("\n".join([lines[0], *(f"{line}30" for line in lines[1:])]), encoding="utf-8")
    load_tables({"picks": path}, farm, farm.blocks())
    assert inputs_of(make(farm)).plan.doubling_g == 30.0


def test_a_date_for_a_block_that_is_not_there_or_before_its_walk_is_refused(
    farm: FarmStore,
) -> None:
    with pytest.raises(ForecastError, match="There is no block 'Hil'"):
        make(farm, pick_dates={"Hil": PICK})
    with pytest.raises(ForecastError, match="is before the photos of 2026-08-12"):
        make(farm, pick_dates={"Hill": date(2026, 8, 1)})


def test_a_block_without_a_pick_date_is_left_out_with_its_reason(farm: FarmStore) -> None:
    add_block(farm, "Mill", pick_date=None)
    add_hand_counts(farm, add_walk(farm, "Mill"))
    _, refused = forecast_farm(farm, TABLE, SETTINGS, made_on=MONDAY)
    assert refused == (
        Refused(name="Mill", what="There is no pick date.", fix="Enter the day of the pick."),
    )


def test_totals_say_that_a_block_is_not_in_them(farm: FarmStore) -> None:
    add_block(farm, "Mill", variety="Fuji", pick_date=None)
    found, _ = forecast_farm(farm, TABLE, SETTINGS, made_on=MONDAY)
    assert Doubt.BLOCK_LEFT_OUT in found.total.doubts
    assert all(
        Doubt.BLOCK_LEFT_OUT not in crop.doubts for crop in (*found.varieties, *found.blocks)
    )
    add_block(farm, "Brook", pick_date=None)
    again, _ = forecast_farm(farm, TABLE, SETTINGS, made_on=MONDAY)
    assert Doubt.BLOCK_LEFT_OUT in again.varieties[0].doubts


def test_a_pick_that_is_past_is_doubted_from_the_day_after(farm: FarmStore) -> None:
    on_the_day, _ = forecast_farm(farm, TABLE, SETTINGS, made_on=PICK)
    assert Doubt.PAST_PICK not in on_the_day.total.doubts
    late, _ = forecast_farm(farm, TABLE, SETTINGS, made_on=PICK + timedelta(days=1))
    assert Doubt.PAST_PICK in late.total.doubts
    assert Doubt.PAST_PICK in crop_of(late).doubts


def test_a_farm_of_which_nothing_can_be_forecast_says_why(tmp_path: Path) -> None:
    with open_farm(tmp_path / "other") as store:
        add_block(store, "Mill")
        with pytest.raises(ForecastError, match=r"No block can be forecast.*Mill has no tree"):
            make(store)


# ---------------------------------------------------------------- what-ifs


def test_a_dry_season_gives_smaller_fruit_and_is_not_kept(farm: FarmStore) -> None:
    planned = make(farm)
    dry = make(farm, choices=Choices(season=Weather.DRY))
    assert dry.what_if == "dry season up to the pick"
    assert dry.number == 0
    assert dry.total.diameter_mm.p50 < planned.total.diameter_mm.p50
    assert dry.total.fruit == planned.total.fruit
    assert farm.forecasts() == (planned,)
    # It is told against the forecast of record, and growth is the only cause.
    moved = [step.cause for step in dry.bridge.steps if abs(step.cartons) > 1e-6]
    assert moved == ["growth"]


def test_scenario_35_picked_five_days_later_fruit_gain_five_days_of_growth(
    farm: FarmStore,
) -> None:
    planned = make(farm)
    later = make(farm, choices=Choices(pick_shift_days=5))
    assert later.what_if == "picked 5 days later"
    assert crop_of(later).pick_date == PICK + timedelta(days=5)
    rate = inputs_of(planned).growth.mm3_per_day
    before = planned.total.diameter_mm.p50
    # dD = 5 days of D³ gain over 3 D².
    assert later.total.diameter_mm.p50 - before == pytest.approx(
        5 * rate / (3 * before**2), rel=0.1
    )


def test_a_what_if_is_kept_if_asked_marked_and_never_explains_a_later_one(
    farm: FarmStore,
) -> None:
    first = make(farm)
    kept = make(farm, choices=Choices(season=Weather.WET, pick_shift_days=-1, keep=True))
    assert (kept.number, kept.what_if) == (2, "wet season up to the pick, picked 1 day earlier")
    later = make(farm, made_on=MONDAY + timedelta(days=7))
    assert later.number == 3
    assert later.bridge.earlier_id == first.forecast_id
    assert [one.what_if != "" for one in farm.forecasts()] == [False, True, False]
    text = "\n".join(forecast_lines(kept))
    assert "What if: wet season up to the pick, picked 1 day earlier. Not the forecast" in text


# ---------------------------------------------------------------- published


def test_scenario_46_a_correction_is_a_new_version_and_both_stay_readable(farm: FarmStore) -> None:
    first = make(farm)
    add_hand_counts(farm, trees_of("Hill"), factor=1.6)
    second = make(farm)
    assert (first.number, second.number) == (1, 2)
    assert first.forecast_id != second.forecast_id
    assert farm.forecasts() == (first, second)


def test_the_same_content_is_the_same_forecast_whatever_came_between(farm: FarmStore) -> None:
    first = make(farm)
    other = make(farm, pick_dates={"Hill": PICK + timedelta(days=9)})
    again = make(farm)
    assert again == first
    # It is the latest again, with the number that it was published under.
    assert farm.forecasts() == (other, first)


def test_a_forecast_holds_all_that_is_needed_to_draw_it_again(farm: FarmStore) -> None:
    made = make(farm)
    assert from_json(Forecast, to_json(made)) == made
    assert settings_from_text(made.settings_text) == SETTINGS
    assert (made.table, made.seed) == (TABLE, SETTINGS.seed)
    assert made.made_with.settings_sha256 == SETTINGS.sha256
    assert inputs_of(made).estimate.sizes is not None


def test_a_forecast_of_an_earlier_version_stays_readable_and_is_not_explained_from(
    farm: FarmStore,
) -> None:
    old = replace(old_forecast(), size_table=TABLE.name)
    farm.save_forecast(old)
    made = make(farm, made_on=MONDAY + timedelta(days=1))
    assert (made.number, made.bridge) == (1, None)
    assert farm.forecasts() == (old, made)
    assert not any("Why it changed" in line for line in forecast_lines(made))


# ---------------------------------------------------------------- the bridge


def test_scenario_41_fruit_found_two_mm_smaller_are_the_main_bar_and_bars_sum_up(
    farm: FarmStore,
) -> None:
    before = make(farm)
    # The same trees a week later: 2 mm less than what their growth would have made of them.
    week = timedelta(days=7)
    rate = inputs_of(before).growth.mm3_per_day
    expected_mm = (68.0**3 + 7 * rate) ** (1 / 3)
    walked = add_walk(farm, "Hill", day=WALK + week, mean_mm=expected_mm - 2.0)
    add_hand_counts(farm, walked, day=WALK + week)
    after = make(farm, made_on=MONDAY + week)
    steps = {step.cause: step.cartons for step in after.bridge.steps}
    assert list(steps) == [
        "register", "count", "hidden fruit", "size", "growth", "drop", "culls", "pick plan",
        "learned", "other",
    ]  # fmt: skip
    assert sum(steps.values()) == pytest.approx(
        after.bridge.cartons - after.bridge.earlier_cartons, abs=1e-6
    )
    assert steps["size"] < 0
    assert max(steps, key=lambda cause: abs(steps[cause])) == "size"
    lines = bridge_lines(after.bridge)
    assert any(line.split()[:1] == ["size"] and "-" in line for line in lines)
    assert lines[-1].split()[0] == "now"


def test_other_settings_are_the_last_step_of_the_bridge(farm: FarmStore) -> None:
    before = make(farm)
    # Losses are inputs; the growth that a projection may miss is not.
    settings = replace(SETTINGS, cull_share=0.30, projection_error_mm_per_day=0.2)
    after, _ = forecast_farm(farm, TABLE, settings, made_on=MONDAY)
    steps = {step.cause: step.cartons for step in after.bridge.steps}
    assert after.bridge.earlier_id == before.forecast_id
    # A tenth of all fruit, of the 80 % that were packed before.
    assert steps["culls"] == pytest.approx(-after.bridge.earlier_cartons / 8, rel=0.02)
    assert steps["other"] != 0
    assert {cause for cause, cartons in steps.items() if abs(cartons) > 1e-6} == {"culls", "other"}


def test_another_size_table_has_a_bridge_of_its_own(farm: FarmStore) -> None:
    make(farm)
    by_mm = load_size_table("classes_5mm")
    first, _ = forecast_farm(farm, by_mm, SETTINGS, made_on=MONDAY)
    assert first.bridge is None
    again, _ = forecast_farm(farm, by_mm, SETTINGS, made_on=MONDAY + timedelta(days=1))
    assert again.bridge.earlier_id == first.forecast_id
    assert any("No change of the expected cartons" in line for line in bridge_lines(again.bridge))


# ---------------------------------------------------------------- numbers, words


def test_scenario_5_the_farm_total_is_wider_than_independent_errors_would_make_it(
    farm: FarmStore,
) -> None:
    for name in ("Mill", "Rill", "Slope"):
        add_good_block(farm, name)
    made, _ = forecast_farm(farm, TABLE, replace(SETTINGS, draws=4000), made_on=MONDAY)
    halves = [(crop.cartons.p90 - crop.cartons.p10) / 2 for crop in made.blocks]
    independent = sum(half**2 for half in halves) ** 0.5
    assert (made.total.cartons.p90 - made.total.cartons.p10) / 2 > 1.4 * independent
    # Means add up, whatever is shared: the middle of the total is near the sum of the middles.
    assert made.total.cartons.p50 == pytest.approx(
        sum(crop.cartons.p50 for crop in made.blocks), rel=0.01
    )


@pytest.mark.parametrize(
    ("trees", "fruit_per_tree", "fruit_per_bin", "bins"),
    [(1000, 30, 2000, 15.0), (600, 40, 2500, 9.6)],
    ids=["count 100", "count 125"],
)
def test_scenario_1_the_printed_bins_per_acre(
    trees: int, fruit_per_tree: int, fruit_per_bin: int, bins: float
) -> None:
    # Ontario ministry of agriculture, "How to estimate bin requirements for apple harvest": 15 and
    # 9.6 bins an acre. All fruit of one size, so many to a bin of 381 kg; picked on the walk's day.
    mass_g = EXACT.bin_kg * 1000 / fruit_per_bin
    mean_mm = (mass_g / EXACT.mass_factor_g_per_mm3) ** (1 / 3)
    of_one_size = replace(exact_sizes(mean_mm=mean_mm), quantiles_mm=(mean_mm,) * 199, sd_mm=0.0)
    estimate = replace(
        block_estimate(with_sizes=of_one_size, error=0.0, pick_date=WALK),
        fruit_per_tree_mean=fruit_per_tree,
    )
    estimate = replace(estimate, block=replace(estimate.block, positions=trees))
    settings = replace(EXACT, drop_share=0.0)
    inputs = block_inputs(estimate, settings=settings)
    draws = draw_block(inputs, TABLE, settings, draw_shared(settings))
    found = summarise(draws, Heading(name="", variety="", pick_date=WALK), TABLE, settings)
    assert found.bins.p50 == pytest.approx(bins, rel=1e-9)


def test_scenario_4_another_carton_moves_classes_and_not_the_number_of_fruit(
    farm: FarmStore,
) -> None:
    american = make(farm)
    metric = load_size_table("carton_counts_18kg")
    european, _ = forecast_farm(farm, metric, SETTINGS, made_on=MONDAY)
    assert european.total.fruit == american.total.fruit
    by_name = {row.name: row for row in metric.classes}
    # 18 kg ÷ 100 is 180 g, 19.05 kg ÷ 100 is 190.5 g: the class lies around it.
    assert by_name["100"].low < 180 < by_name["100"].high
    old = {row.name: row for row in TABLE.classes}["100"]
    assert old.low < 190.5 < old.high
    shares = [
        next(row.share.p50 for row in one.total.classes if row.size_class == "100")
        for one in (american, european)
    ]
    assert shares[0] != shares[1]


def test_scenario_40_every_cell_is_a_range_and_cells_add_up_to_their_line(
    farm: FarmStore,
) -> None:
    farm.save_pick_plan("Hill", TWO_PASSES)
    add_good_block(farm, "Slope", variety="Fuji")
    made = make(farm)
    for crop in (*made.blocks, *made.varieties, made.total):
        cells = [row.cartons for row in crop.classes] + [row.cartons for row in crop.weeks]
        cells += [one.cartons for one in crop.picks if one.cartons]
        assert cells
        assert all(0 <= cell.p10 <= cell.p50 <= cell.p90 for cell in cells)
        # P50s need not add up; weeks and passes are so few and alike that they do within 2 %.
        whole = [row.cartons.p50 for row in crop.weeks if row.size_class == "all"]
        assert sum(whole) == pytest.approx(crop.cartons.p50, rel=0.02)
    lines = forecast_lines(made)
    head = next(line for line in lines if "cartons by week" in line)
    assert head.split()[-4:] == ["P10", "(safe)", "P50", "P90"]
    assert any("week 37 (from 7 Sep)" in line for line in lines)
    assert any(line.strip().startswith("pass of 2026-09-11:") for line in lines)


def test_without_hand_counts_there_are_no_cartons_and_no_numbers_for_uses(tmp_path: Path) -> None:
    with open_farm(tmp_path / "other") as store:
        add_block(store, "Mill")
        add_walk(store, "Mill")
        made = make(store)
    assert made.total.cartons is None
    assert use_numbers(made) == ()
    text = "\n".join(forecast_lines(made))
    assert "cartons not known" in text
    assert "no hand counts of this season" in text


def test_six_trees_give_cartons_in_all_and_say_why_not_by_class(tmp_path: Path) -> None:
    with open_farm(tmp_path / "other") as store:
        add_block(store, "Mill")
        add_hand_counts(store, add_walk(store, "Mill", trees=trees_of("Mill", 6)))
        text = "\n".join(forecast_lines(make(store)))
    assert "a first look, so no cartons by class" in text
    assert "Rests on 6 trees and 6 hand counts" in text


def test_each_use_has_its_own_quantile(farm: FarmStore) -> None:
    made, _ = forecast_farm(farm, TABLE, replace(SETTINGS, promise_quantile=0.2), made_on=MONDAY)
    numbers = {one.use: one for one in use_numbers(made) if one.level == "farm"}
    cartons, bins = made.total.cartons, made.total.bins
    # Halves run as normal distributions: P20 lies 0.8416/1.2816 of the way from P50 to P10.
    away = float(norm.ppf(0.2) / norm.ppf(0.1))
    assert numbers["promise"].value == pytest.approx(
        cartons.p50 - away * (cartons.p50 - cartons.p10)
    )
    assert numbers["labour"].value == pytest.approx(bins.p50)
    assert bins.p50 < numbers["bins"].value < bins.p90
    assert any("to promise" in line and "20 %" in line for line in forecast_lines(made))

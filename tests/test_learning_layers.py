"""A forecast against what came in: number, size and culls apart, by crops made by hand."""

from dataclasses import replace
from datetime import date, timedelta
from math import exp, log

import pytest

from fruitvision.domain import (
    BinTicket,
    Block,
    Forecast,
    Learned,
    LearnedNumber,
    LotPart,
    PackedLot,
    SeasonNote,
    SizeTable,
    Stage,
)
from fruitvision.learning.expected import ExpectedCrop, SizeMove
from fruitvision.learning.layers import Comparison, compare
from fruitvision.learning.matching import season_results
from fruitvision.learning.seasons import comparisons, last_looks
from fruitvision.learning.stages import nearest_first, stage_of
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from tests.forecast_records import block_estimate, block_inputs, sizes
from tests.packed_season import forecast_of, papers
from tests.records import PICK

TABLE = load_size_table("box_counts_42lb")
SETTINGS = Settings(draws=400)
NORTH = Block(block_id="Gala North", variety="Gala", positions=1000)
MADE_ON = PICK - timedelta(days=20)


def forecast(
    learned: Learned | None = None, *, made_on: date = MADE_ON, name: str = ""
) -> Forecast:
    inputs = replace(block_inputs(block_estimate(with_sizes=sizes())), learned=learned)
    return forecast_of([inputs], TABLE, SETTINGS, made_on=made_on, name=name)


def house(
    made: Forecast,
    *,
    fruit: float = 1.0,
    mm: float = 0.0,
    culls: float = 0.0,
    days_late: int = 0,
    part: float = 1.0,
) -> tuple[BinTicket, PackedLot]:
    """Papers of a crop that is the forecast's, but for so much fruit, mm and culls."""
    (inputs,) = made.inputs
    crop = ExpectedCrop(inputs, TABLE, SETTINGS, days_late=days_late)
    learned = 0.0 if inputs.learned is None else inputs.learned.count.value
    number = fruit * made.blocks[0].fruit.p50 / exp(learned)
    move = SizeMove(mm=mm)
    shares = crop.shares(move)[1:-1]
    packed = number * shares * (1 - crop.cull_shares - culls)
    cartons = packed / [one.fruit_per_carton for one in TABLE.classes]
    culled_kg = (number - packed.sum()) * crop.mean_g(move) / 1000
    return papers(
        "Gala North",
        picked_on=PICK + timedelta(days=days_late),
        bins=number * crop.mean_g(move) / 1000 / SETTINGS.bin_kg,
        cartons=cartons,
        culled_kg=culled_kg,
        table=TABLE,
        part=part,
    )


def held(
    made: Forecast, ticket: BinTicket, lot: PackedLot, note: SeasonNote | None = None
) -> Comparison:
    notes = () if note is None else (note,)
    (result,) = season_results([ticket], [lot], notes, [NORTH], {}).results
    found = compare(made, result, load_size_table)
    assert found is not None
    return found


def test_a_crop_as_forecast_has_no_error_in_any_layer() -> None:
    made = forecast()
    found = held(made, *house(made))
    assert found.count is not None
    assert found.size_mm is not None
    assert found.cull is not None
    assert found.count.value == pytest.approx(0.0, abs=0.002)
    assert found.size_mm.value == pytest.approx(0.0, abs=0.01)
    assert found.cull.value == pytest.approx(0.0, abs=0.002)
    assert found.actual_cartons == pytest.approx(found.cartons.p50, rel=0.03)
    assert (found.stage, found.days_before, found.days_late) == (Stage.PLAN, 20, 0)


def test_scenario_47_each_layer_is_told_apart_although_they_nearly_cancel() -> None:
    # Forecast 6 % high in count, 1.8 mm low in size, pack-out 5 points higher than assumed.
    made = forecast()
    found = held(made, *house(made, fruit=1 / 1.06, mm=1.8, culls=-0.05))
    assert found.count.value == pytest.approx(-log(1.06), abs=0.003)
    assert found.size_mm.value == pytest.approx(1.8, abs=0.02)
    assert found.cull.value == pytest.approx(-0.05, abs=0.003)
    assert found.actual_fruit == pytest.approx(found.fruit.p50 / 1.06, rel=0.003)
    steps = {step.cause: step.cartons for step in found.steps}
    assert steps["count"] < 0 < steps["size"]
    assert steps["culls"] > 0
    # The steps lead from the expected to the actual cartons.
    before = ExpectedCrop(made.inputs[0], TABLE, SETTINGS).cartons(fruit=made.blocks[0].fruit.p50)
    assert before + sum(steps.values()) == pytest.approx(found.actual_cartons, rel=0.005)


def test_a_later_pick_is_no_error_of_size() -> None:
    made = forecast()
    found = held(made, *house(made, days_late=6))
    assert found.days_late == 6
    assert found.late_mm == pytest.approx(6 * 4000 / (3 * 73.5**2), rel=0.1)
    assert found.size_mm.value == pytest.approx(0.0, abs=0.02)
    assert found.actual_mm == pytest.approx(found.diameter_mm.p50 + found.late_mm, abs=0.3)


def test_what_was_learned_before_is_not_learned_twice() -> None:
    learned = Learned(
        stage=Stage.PLAN,
        count=LearnedNumber(value=0.08),
        size_mm=LearnedNumber(value=1.0),
        cull=LearnedNumber(value=0.03),
    )
    plain, corrected = forecast(), forecast(learned)
    crop = house(plain, fruit=1.1, mm=2.0, culls=0.04)
    before, after = held(plain, *crop), held(corrected, *crop)
    assert after.count.value == pytest.approx(before.count.value, abs=0.002)
    assert after.size_mm.value == pytest.approx(before.size_mm.value, abs=0.005)
    assert after.cull.value == pytest.approx(before.cull.value, abs=0.002)
    # Whether the truth fell into the range is asked of the forecast as published.
    assert after.fruit.p50 == pytest.approx(exp(0.08) * before.fruit.p50, rel=1e-6)


def test_counted_bins_and_bins_by_weight_tell_the_number_too() -> None:
    made = forecast()
    ticket, lot = house(made, fruit=1.05)
    kg = SETTINGS.bin_kg
    grams = ExpectedCrop(made.inputs[0], TABLE, SETTINGS).mean_g()
    counted = held(made, ticket, replace(lot, culled=(), fruit_per_bin=1000 * kg / grams))
    weighed = held(made, ticket, replace(lot, culled=()))
    share = held(made, ticket, replace(lot, culled=(), cull_share=0.2))
    for one in (counted, weighed):
        assert one.count.value == pytest.approx(log(1.05), abs=0.01)
    # 20 % of the weight is not 20 % of the fruit within the table, but nearly.
    assert share.count.value == pytest.approx(log(1.05), abs=0.02)
    assert weighed.count.result_error > counted.count.result_error


def test_bins_alone_tell_the_number_and_no_more() -> None:
    made = forecast()
    ticket, _ = house(made, fruit=0.9)
    (result,) = season_results([ticket], [], (), [NORTH], {}).results
    found = compare(made, result, load_size_table)
    assert found.count.value == pytest.approx(log(0.9), abs=0.01)
    assert (found.size_mm, found.cull, found.actual_cartons, found.steps) == (None, None, None, ())


def test_fruit_that_never_came_in_is_no_error_of_the_count() -> None:
    made = forecast()
    ticket, lot = house(made, fruit=0.9)
    note = SeasonNote(
        block_id="Gala North",
        season=PICK.year,
        left_bins=ticket.bins / 18,
        direct_bins=ticket.bins / 18,
    )
    assert held(made, ticket, lot).count.value == pytest.approx(log(0.9), abs=0.003)
    assert held(made, ticket, lot, note).count.value == pytest.approx(0.0, abs=0.003)


def test_a_season_half_packed_is_scaled_up_and_one_hardly_packed_is_not_read() -> None:
    made = forecast()
    ticket, lot = house(made, fruit=1.05, part=0.75)
    own = replace(lot, lot="own", parts=(LotPart(block_id="Gala North", bins=0.75 * ticket.bins),))
    found = held(made, ticket, own)
    assert found.packed_share == pytest.approx(0.75)
    assert found.count.value == pytest.approx(log(1.05), abs=0.003)
    ticket, lot = house(made, fruit=1.05, part=0.3)
    own = replace(lot, lot="own", parts=(LotPart(block_id="Gala North", bins=0.3 * ticket.bins),))
    found = held(made, ticket, own)
    assert found.size_mm is None
    assert found.count.value == pytest.approx(log(1.05), abs=0.01)


def test_lots_of_another_size_table_are_read_by_it() -> None:
    made = forecast()
    ticket, lot = house(made)
    other = replace(lot, size_table="no such table")
    missing = held_with(made, ticket, other, None)
    assert missing.size_mm is None
    assert any("no size table 'no such table'" in one for one in missing.remarks)
    strange = replace(lot, cartons=(*lot.cartons, replace(lot.cartons[0], size_class="giant")))
    found = held(made, ticket, strange)
    assert found.size_mm is None
    assert any("giant" in one for one in found.remarks)


def held_with(
    made: Forecast, ticket: BinTicket, lot: PackedLot, table: SizeTable | None
) -> Comparison:
    (result,) = season_results([ticket], [lot], (), [NORTH], {}).results
    found = compare(made, result, lambda name: table)
    assert found is not None
    return found


# ---------------------------------------------------------------- which forecast


def test_stages_have_plain_limits() -> None:
    assert [stage_of(days) for days in (90, 61, 60, 31, 30, 15, 14, 0)] == [
        *[Stage.OUTLOOK] * 2,
        *[Stage.QUOTE] * 2,
        *[Stage.PLAN] * 2,
        *[Stage.LAST] * 2,
    ]
    assert nearest_first(Stage.QUOTE) == (Stage.QUOTE, Stage.PLAN, Stage.OUTLOOK, Stage.LAST)


def test_each_stage_has_one_forecast_the_one_that_people_worked_with() -> None:
    made = [
        forecast(made_on=PICK - timedelta(days=days), name=name)
        for days, name in ((45, "a"), (28, "b"), (20, "c"), (16, "d"), (3, "e"), (-2, "after"))
    ]
    what_if = replace(made[4], forecast_id="what if", what_if="dry season")
    results = season_results([house(made[0])[0]], [], (), [NORTH], {}).results
    found = comparisons([*made, what_if], {"c"}, results, load_size_table)
    assert [one.forecast_id for one in found] == ["a", "c", "e"]
    assert [one.frozen for one in found] == [False, True, False]
    assert [one.forecast_id for one in last_looks(found)] == ["e"]
    # Without a frozen one it is the last of its stage.
    found = comparisons(made, (), results, load_size_table)
    assert [one.forecast_id for one in found] == ["a", "d", "e"]
    other_year = [
        replace(one, season=one.season - 1, begins=one.begins - timedelta(days=365))
        for one in results
    ]
    assert comparisons(made, (), other_year, load_size_table) == ()

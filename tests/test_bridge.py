"""Why a forecast differs from the last: steps that add up, each where it belongs."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from fruitvision.domain import (
    BlockInputs,
    Bridge,
    ClassCull,
    CropForecast,
    Estimate,
    Forecast,
    Learned,
    LearnedNumber,
    MadeWith,
    Stage,
)
from fruitvision.forecast.bridge import bridge
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.drawn_with import DrawnWith
from fruitvision.forecast.inputs import what_if
from fruitvision.forecast.shared import draw_shared
from fruitvision.records import from_json, to_json
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from tests.forecast_records import TABLE, block_estimate, block_inputs, sizes

SETTINGS = Settings(draws=400)
WITH = DrawnWith(table=TABLE, settings=SETTINGS)
CAUSES = [
    "register",
    "count",
    "hidden fruit",
    "size",
    "growth",
    "drop",
    "culls",
    "pick plan",
    "learned",
    "other",
]


def forecast_of(*inputs: BlockInputs) -> Forecast:
    nothing = CropForecast(
        name="farm",
        variety="",
        pick_date=None,
        fruit=Estimate(0, 0, 0),
        diameter_mm=None,
        bins=None,
        tonnes=None,
        cartons=None,
        classes=(),
        doubts=(),
    )
    return Forecast(
        forecast_id="2026-08-17-1",
        farm="Lindengrund",
        made_on=inputs[0].estimate.walked_on,
        size_table=TABLE.name,
        blocks=(),
        varieties=(),
        total=nothing,
        next_action="",
        made_with=MadeWith(version="0", detector="x", settings_sha256="0"),
        inputs=inputs,
    )


def steps(found: Bridge) -> dict[str, float]:
    return {step.cause: step.cartons for step in found.steps}


def expected(inputs: Sequence[BlockInputs], settings: Settings = SETTINGS) -> float:
    crops = [draw_block(one, TABLE, settings, draw_shared(settings)) for one in inputs]
    return sum(float(crop.cartons.sum(axis=1).mean()) for crop in crops)


def everything_new(old: BlockInputs) -> BlockInputs:
    estimate = old.estimate
    factor = replace(estimate.factor, factor=1.4)
    later = sizes(mean_mm=70.0, on=estimate.walked_on + timedelta(days=9))
    return replace(
        old,
        estimate=replace(
            estimate,
            block=replace(estimate.block, missing=60),
            walked_on=later.measured_on,
            factor=factor,
            visible_per_tree=54,
            fruit_per_tree_mean=54 * 1.4,
            sizes=later,
        ),
        growth=replace(old.growth, mm3_per_day=4600),
        weight=replace(old.weight, power=3.01),
        losses=replace(old.losses, drop_share=0.07, cull_share=0.16),
        plan=what_if(old, SETTINGS, days=6).plan,
        learned=Learned(stage=Stage.LAST, count=LearnedNumber(value=0.05)),
    )


def test_nothing_new_is_a_bridge_of_nothing() -> None:
    old = block_inputs()
    found = bridge(forecast_of(old), [old], WITH)
    assert [step.cause for step in found.steps] == CAUSES
    assert set(steps(found).values()) == {0.0}
    assert found.cartons == found.earlier_cartons == pytest.approx(expected([old]))
    assert found.earlier_id == "2026-08-17-1"


def test_the_steps_add_up_to_the_whole_change_when_everything_is_new() -> None:
    old, other = block_inputs(), block_inputs(block_estimate("B", with_sizes=sizes(mean_mm=72)))
    new = [everything_new(old), everything_new(other)]
    found = bridge(forecast_of(old, other), new, WITH)
    assert found.earlier_cartons == pytest.approx(expected([old, other]))
    assert found.cartons == pytest.approx(expected(new))
    change = found.cartons - found.earlier_cartons
    assert sum(steps(found).values()) == pytest.approx(change, abs=1e-9 * found.cartons)
    assert steps(found)["other"] == pytest.approx(0, abs=1e-9 * found.cartons)
    assert all(steps(found)[cause] != 0 for cause in CAUSES[:-1])


def test_two_millimetres_less_are_a_change_of_size() -> None:
    old = block_inputs()
    smaller = replace(old, estimate=replace(old.estimate, sizes=sizes(mean_mm=66.0)))
    found = bridge(forecast_of(old), [smaller], WITH)
    size = steps(found)["size"]
    assert size == pytest.approx(found.cartons - found.earlier_cartons)
    assert size < -0.05 * found.earlier_cartons
    assert all(value == 0 for cause, value in steps(found).items() if cause != "size")


def test_a_walk_that_finds_what_was_expected_moves_nothing_much() -> None:
    # Nine days on, fruit have grown by the rate that the earlier forecast took: D³ + 36,000.
    old = block_inputs()
    shift = np.mean(np.cbrt(np.array(sizes().quantiles_mm) ** 3 + 9 * 4000)) - 68.0
    later = sizes(mean_mm=68.0 + float(shift), on=old.estimate.walked_on + timedelta(days=9))
    new = replace(old, estimate=replace(old.estimate, sizes=later, walked_on=later.measured_on))
    found = bridge(forecast_of(old), [new], WITH)
    assert abs(steps(found)["size"]) < 0.01 * found.earlier_cartons


@pytest.mark.parametrize("cause", ["register", "count", "hidden fruit", "drop", "culls"])
def test_one_cause_makes_one_step_of_its_size(cause: str) -> None:
    old = block_inputs()
    estimate, losses = old.estimate, old.losses
    assert estimate.factor is not None
    fewer = {
        "fruit_per_tree_mean": estimate.fruit_per_tree_mean * 0.9,
        "fruit_per_tree_error": estimate.fruit_per_tree_error * 0.9,
    }
    changed = {
        "register": replace(old, estimate=replace(estimate, bearing_trees=900.0)),
        "count": replace(old, estimate=replace(estimate, visible_per_tree=45, **fewer)),
        "hidden fruit": replace(
            old,
            estimate=replace(estimate, factor=replace(estimate.factor, factor=1.35), **fewer),
        ),
        "drop": replace(old, losses=replace(losses, drop_share=1 - 0.9 * 0.96)),
        "culls": replace(old, losses=replace(losses, cull_share=1 - 0.9 * 0.8)),
    }[cause]
    found = bridge(forecast_of(old), [changed], WITH)
    # Every one of these takes a tenth of the cartons.
    assert steps(found)[cause] == pytest.approx(-0.1 * found.earlier_cartons, rel=0.01)
    others = [abs(v) for name, v in steps(found).items() if name != cause]
    assert max(others) < 1e-9 * found.earlier_cartons


def test_first_hand_counts_bring_all_cartons_as_hidden_fruit() -> None:
    visible_only = block_inputs(block_estimate(with_sizes=sizes(), counted=0))
    counted = block_inputs()
    found = bridge(forecast_of(visible_only), [counted], WITH)
    assert found.earlier_cartons == 0
    assert steps(found)["hidden fruit"] == pytest.approx(found.cartons)


def test_new_and_gone_blocks_other_settings_and_tables_are_other_causes() -> None:
    old = block_inputs()
    new = block_inputs(block_estimate("B", with_sizes=sizes()))
    found = bridge(forecast_of(old), [new], WITH)
    change = expected([new]) - expected([old])
    assert steps(found)["other"] == pytest.approx(change)
    harder = replace(SETTINGS, seed=1)
    found = bridge(
        forecast_of(old), [old], DrawnWith(table=TABLE, settings=harder), earlier_with=WITH
    )
    assert steps(found)["other"] == pytest.approx(expected([old], harder) - expected([old]))
    assert sum(steps(found).values()) == pytest.approx(found.cartons - found.earlier_cartons)


def test_culls_of_a_new_tables_classes_do_not_stop_the_bridge() -> None:
    old = block_inputs()
    culls = (ClassCull(size_class="100", cull_share=0.3),)
    new = replace(old, losses=replace(old.losses, culls_by_class=culls))
    counts = DrawnWith(table=load_size_table("box_counts_42lb"), settings=SETTINGS)
    found = bridge(forecast_of(old), [new], counts, earlier_with=WITH)
    assert sum(steps(found).values()) == pytest.approx(found.cartons - found.earlier_cartons)


def test_a_pick_that_has_become_earlier_than_the_new_walk_is_still_explained() -> None:
    old = block_inputs()
    walked_on = old.plan.picks[0].pick_date + timedelta(days=4)
    later = sizes(mean_mm=74.0, on=walked_on)
    new = replace(
        old,
        estimate=replace(old.estimate, sizes=later, walked_on=walked_on),
        plan=what_if(old, SETTINGS, days=12).plan,
    )
    found = bridge(forecast_of(old), [new], WITH)
    assert sum(steps(found).values()) == pytest.approx(found.cartons - found.earlier_cartons)


def test_inputs_that_were_kept_as_text_give_the_same_bridge() -> None:
    old = block_inputs(shares=(0.4, 0.6))
    new = everything_new(old)
    kept = from_json(Forecast, to_json(forecast_of(old)))
    assert bridge(kept, [new], WITH) == bridge(forecast_of(old), [new], WITH)


def test_a_walk_of_another_day_is_no_cause_among_hidden_fruit() -> None:
    old = block_inputs()
    estimate = old.estimate
    later = estimate.walked_on + timedelta(days=9)
    new = replace(
        old, estimate=replace(estimate, walked_on=later, sizes=sizes(mean_mm=70.0, on=later))
    )
    found = steps(bridge(forecast_of(old), [new], WITH))
    assert found["hidden fruit"] == pytest.approx(0)
    assert abs(found["size"]) > 1

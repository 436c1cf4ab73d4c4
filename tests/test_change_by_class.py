"""Changes by class and week: they add up to the variety's, and to the farm's bridge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from fruitvision.domain import BlockInputs, ClassForecast, CropForecast, Estimate, Forecast
from fruitvision.errors import ForecastError
from fruitvision.forecast.bridge import CAUSES, bridge
from fruitvision.forecast.change import ClassChange, added, changes_by_class
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.drawn_with import drawn_again_with
from fruitvision.forecast.inputs import what_if
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.summary import ALL, LARGER, SMALLER
from fruitvision.settings import Settings, all_settings_to_text
from tests.forecast_records import TABLE, block_estimate, block_inputs, sizes
from tests.records import PICK
from tests.test_bridge import forecast_of

SETTINGS = Settings(draws=400)
ROWS = ("undersize", "60-75", "75-90", "oversize")
MONDAY = PICK - timedelta(days=PICK.weekday())


def crop(variety: str, rows: Sequence[str]) -> CropForecast:
    nothing = Estimate(0, 0, 0)
    return CropForecast(
        name=variety,
        variety=variety,
        pick_date=PICK,
        fruit=nothing,
        diameter_mm=None,
        bins=None,
        tonnes=None,
        cartons=nothing,
        classes=tuple(
            ClassForecast(size_class=name, share=nothing, cartons=nothing) for name in rows
        ),
        doubts=(),
    )


def kept(
    *inputs: BlockInputs, rows: Sequence[str] = ROWS, settings: Settings = SETTINGS
) -> Forecast:
    varieties = dict.fromkeys(one.estimate.block.variety for one in inputs)
    return replace(
        forecast_of(*inputs),
        varieties=tuple(crop(variety, rows) for variety in varieties),
        table=TABLE,
        settings_text=all_settings_to_text(settings),
    )


def fuji(inputs: BlockInputs) -> BlockInputs:
    block = replace(inputs.estimate.block, block_id="Mill", variety="Fuji")
    return replace(inputs, estimate=replace(inputs.estimate, block=block))


def two_passes(**changes: object) -> BlockInputs:
    estimate = block_estimate(with_sizes=sizes())
    inputs = block_inputs(estimate, shares=(0.4, 0.6), date_error_days=3)
    return replace(inputs, **changes)  # type: ignore[arg-type]


def smaller(inputs: BlockInputs) -> BlockInputs:
    found = replace(inputs.estimate, sizes=sizes(mean_mm=66.0))
    return replace(inputs, estimate=found)


def more(inputs: BlockInputs) -> BlockInputs:
    estimate = inputs.estimate
    found = replace(
        estimate,
        visible_per_tree=1.1 * estimate.visible_per_tree,
        fruit_per_tree_mean=1.1 * estimate.fruit_per_tree_mean,
    )
    return replace(inputs, estimate=found)


def cells(found: Sequence[ClassChange]) -> dict[tuple[str, date | None, str], ClassChange]:
    return {(one.variety, one.week, one.size_class): one for one in found}


def test_cells_add_up_to_both_forecasts_and_to_the_bridge() -> None:
    before = kept(two_passes(), fuji(two_passes()))
    now = kept(more(smaller(two_passes())), fuji(more(two_passes())))
    found = changes_by_class(before, now)
    whole = bridge(before, now.inputs, drawn_again_with(now), earlier_with=drawn_again_with(before))
    total = added(found)
    assert total.earlier_cartons == pytest.approx(whole.earlier_cartons)
    assert total.cartons == pytest.approx(whole.cartons)
    assert total.change == pytest.approx(sum(step.cartons for step in total.steps))
    for step, of_farm in zip(total.steps, whole.steps, strict=True):
        assert step.cause == of_farm.cause
        assert step.cartons == pytest.approx(of_farm.cartons, abs=1e-6)
    # Each side is what its blocks pack on average, drawn by themselves.
    for cartons, forecast in ((total.earlier_cartons, before), (total.cartons, now)):
        drawn = [draw_block(one, TABLE, SETTINGS, draw_shared(SETTINGS)) for one in forecast.inputs]
        assert cartons == pytest.approx(
            sum(float(one.cartons.sum(axis=1).mean()) for one in drawn if one.cartons is not None)
        )
    for one in found:
        assert one.change == pytest.approx(sum(step.cartons for step in one.steps), abs=1e-6)
        assert [step.cause for step in one.steps] == list(CAUSES)


def test_smaller_fruit_leave_the_large_class_for_the_small_one_by_size() -> None:
    found = cells(changes_by_class(kept(two_passes()), kept(smaller(two_passes()))))
    # The second pass, a week after the first, brings most.
    main = MONDAY + timedelta(days=7)
    large, small = found["Gala", main, "75-90"], found["Gala", main, "60-75"]
    assert large.change < -25 < 15 < small.change
    for one in (large, small):
        (reason, *others) = one.reasons(3)
        assert reason.cause == "size"
        assert reason.cartons == pytest.approx(one.change)
        assert others == []


def test_a_later_pick_moves_cartons_from_week_to_week() -> None:
    once = block_inputs(block_estimate(with_sizes=sizes()))
    later = what_if(once, SETTINGS, days=7)
    found = cells(changes_by_class(kept(once), kept(later)))
    gone = found["Gala", MONDAY, "75-90"]
    come = found["Gala", MONDAY + timedelta(days=7), "75-90"]
    assert gone.cartons == 0
    assert gone.change == pytest.approx(-gone.earlier_cartons)
    assert come.earlier_cartons == 0
    assert come.cartons > gone.earlier_cartons  # They grew for a week.
    assert [step.cause for step in (*gone.reasons(9), *come.reasons(9))] == ["pick plan"] * 2


def test_reasons_are_the_largest_steps_first_and_leave_out_what_is_nothing() -> None:
    found = added(changes_by_class(kept(two_passes()), kept(more(smaller(two_passes())))))
    reasons = found.reasons(2)
    assert {step.cause for step in reasons} == {"count", "size"}
    assert abs(reasons[0].cartons) >= abs(reasons[1].cartons)
    assert found.reasons(1) == reasons[:1]
    assert added(changes_by_class(kept(two_passes()), kept(two_passes()))).reasons(9) == ()


def test_rows_are_those_of_the_forecast_in_hand() -> None:
    before = kept(two_passes())
    merged = kept(more(two_passes()), rows=(SMALLER, "75-90", LARGER))
    assert {one.size_class for one in changes_by_class(before, merged)} == {SMALLER, "75-90"}
    whole = added(changes_by_class(before, kept(more(two_passes()))))
    assert added(changes_by_class(before, merged)).change == pytest.approx(whole.change)


@pytest.mark.parametrize("first_look", ["before", "now"])
def test_a_first_look_has_no_changes_by_class(first_look: str) -> None:
    rows: dict[str, Sequence[str]] = {"before": ROWS, "now": ROWS, first_look: ()}
    found = changes_by_class(
        kept(two_passes(), rows=rows["before"]), kept(more(two_passes()), rows=rows["now"])
    )
    assert {one.size_class for one in found} == {ALL}
    weeks = [one.week for one in found if one.week is not None]
    assert weeks == sorted(set(weeks))


def test_a_variety_that_is_gone_is_told_with_what_it_had() -> None:
    found = changes_by_class(kept(two_passes(), fuji(two_passes())), kept(two_passes()))
    gone = added([one for one in found if one.variety == "Fuji"])
    assert gone.cartons == 0
    assert gone.change < 0
    assert [step.cause for step in gone.reasons(9)] == ["other"]
    assert added([one for one in found if one.variety == "Gala"]).change == pytest.approx(0)


def test_a_forecast_that_can_not_be_drawn_again_is_refused() -> None:
    with pytest.raises(ForecastError, match="did not keep"):
        changes_by_class(replace(kept(two_passes()), table=None), kept(two_passes()))

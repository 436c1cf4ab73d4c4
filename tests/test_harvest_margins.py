"""Passes that may not pay: the arithmetic by hand, and what it takes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from fruitvision.domain import CartonPrice, GrowthRate
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.shared import draw_shared
from fruitvision.harvest.margins import pass_margins
from fruitvision.harvest.moves import Move, moved_plans
from fruitvision.report import margin_lines
from fruitvision.settings import Settings
from tests.forecast_records import EXACT, TABLE, block_estimate, block_inputs, exact_sizes
from tests.records import PICK
from tests.test_harvest import kept, three_passes

COSTS = replace(EXACT, pick_cost_per_bin=30, pack_cost_per_carton=4)
PRICES = [
    CartonPrice(per_carton=20, size_class="75-90"),
    CartonPrice(per_carton=5, size_class="60-75"),
]
STILL = GrowthRate(mm3_per_day=0, mm3_per_day_error=0, source="none")


def test_a_margin_is_cartons_at_their_price_less_packing_and_picking_by_hand() -> None:
    inputs = block_inputs(
        block_estimate(with_sizes=exact_sizes(mean_mm=71.0), error=0.0),
        settings=EXACT,
        growth=STILL,
        shares=(0.4, 0.35, 0.25),
    )
    found = pass_margins(kept([inputs], EXACT), PRICES, COSTS)
    assert found is not None
    crop = draw_block(inputs, TABLE, EXACT, draw_shared(EXACT))
    for one, drawn in zip(found.passes, crop.passes, strict=True):
        assert drawn.cartons is not None
        assert drawn.tonnes is not None
        small, large = drawn.cartons[0]
        bins = drawn.tonnes[0] / 0.381
        margin = 20 * large + 5 * small - 4 * (large + small) - 30 * bins
        assert one.per_bin.p50 == pytest.approx(margin / bins)
    # Colour picks take the large fruit first: the last pass brings small ones, at 5 less 4.
    margins = [one.per_bin.p50 for one in found.passes]
    assert margins[0] > margins[1] > margins[2]
    assert [one.number for one in found.marginal] == [3]
    assert [one.chance_below for one in found.passes] == [0, 0, 1]


def test_with_errors_a_margin_has_a_range_and_a_chance_of_a_loss() -> None:
    settings = replace(Settings(draws=400), pick_cost_per_bin=30, pack_cost_per_carton=4)
    found = pass_margins(kept([three_passes()], settings), PRICES, settings)
    assert found is not None
    last = found.passes[-1]
    assert last.per_bin.p10 < last.per_bin.p50 < last.per_bin.p90
    # A dear bin pays less, by what it is dearer.
    dear = pass_margins(
        kept([three_passes()], settings), PRICES, replace(settings, pick_cost_per_bin=130)
    )
    assert dear is not None
    assert dear.passes[-1].per_bin.p50 == pytest.approx(last.per_bin.p50 - 100)
    assert dear.passes[-1].chance_below > last.chance_below


def test_a_pass_that_waits_grows_and_pays_more() -> None:
    settings = replace(Settings(draws=400), pick_cost_per_bin=30, pack_cost_per_carton=4)
    inputs = three_passes()
    forecast = kept([inputs], settings)
    later = moved_plans(
        {"Gala North": inputs.plan}, [Move(block_id="Gala North", number=3, days=7)]
    )
    now, then = (
        pass_margins(forecast, PRICES, settings),
        pass_margins(forecast, PRICES, settings, plans=later),
    )
    assert now is not None
    assert then is not None
    assert then.passes[2].pick_date == PICK + timedelta(days=21)
    assert then.passes[2].per_bin.p50 > now.passes[2].per_bin.p50


def test_without_prices_or_costs_nothing_is_said_of_a_pass() -> None:
    forecast = kept([three_passes()])
    assert pass_margins(forecast, [], COSTS) is None
    assert pass_margins(forecast, PRICES, EXACT) is None
    assert "prices.csv" in margin_lines(None, "EUR")[0]


def test_a_block_without_any_price_is_named_and_a_class_without_one_is_told() -> None:
    forecast = kept([three_passes()])
    foreign = pass_margins(forecast, [CartonPrice(per_carton=9, variety="Fuji")], COSTS)
    assert foreign is not None
    assert (foreign.passes, foreign.unpriced) == ((), ("Gala North",))
    half = pass_margins(forecast, PRICES[:1], COSTS)
    assert half is not None
    lines = "\n".join(margin_lines(half, "EUR"))
    assert "Gala: no price of 60-75, which count as worth nothing." in lines
    assert "EUR a bin" in lines

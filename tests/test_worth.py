"""What a farm's value hangs on, and what pays to measure next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import stdtrit

from fruitvision.advice import Work
from fruitvision.domain import (
    BlockInputs,
    CartonPrice,
    ClassGrade,
    Estimate,
    Forecast,
    SizeClass,
    SizeTable,
)
from fruitvision.errors import ForecastError
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.shared import draw_shared
from fruitvision.settings import Settings, all_settings_to_text
from fruitvision.worth import FarmWorth, Prices, worth_of_farm
from fruitvision.worth.prices import value_of
from tests.forecast_records import EXACT, TABLE, block_estimate, block_inputs, exact_sizes, sizes
from tests.test_bridge import forecast_of

DRAWN = replace(EXACT, draws=1000)


def kept(inputs: Sequence[BlockInputs], settings: Settings = DRAWN) -> Forecast:
    return replace(forecast_of(*inputs), table=TABLE, settings_text=all_settings_to_text(settings))


def counted_only(name: str = "Gala North", *, error: float = 6.0, trees: int = 12) -> BlockInputs:
    """A block of which only the number of fruit is unsure, all of it by the trees drawn."""
    estimate = block_estimate(name, with_sizes=exact_sizes(), error=error, trees=trees)
    estimate = replace(estimate, sampling_error=error, degrees_of_freedom=200)
    growth = replace(block_inputs().growth, mm3_per_day_error=0.0)
    return block_inputs(estimate, growth=growth, settings=DRAWN)


def worth(
    *inputs: BlockInputs, prices: Sequence[CartonPrice] = (), settings: Settings = DRAWN
) -> FarmWorth:
    return worth_of_farm(kept(inputs, settings), prices, settings)


# ---------------------------------------------------------------- prices


def test_the_line_that_names_most_of_a_carton_is_its_price() -> None:
    prices = Prices(
        [
            CartonPrice(per_carton=5),
            CartonPrice(variety="Gala", per_carton=18),
            CartonPrice(size_class="113", per_carton=9),
            CartonPrice(variety="Gala", size_class="113", per_carton=20),
            CartonPrice(variety="Gala", size_class="113", grade="premium", per_carton=26),
            CartonPrice(variety="Gala", grade="premium", per_carton=24),
        ]
    )
    assert prices.of("Gala", "113", "premium") == 26
    assert prices.of("gala", "113", "second") == 20
    assert prices.of("Gala", "100", "Premium") == 24
    assert prices.of("Gala", "100") == 18
    assert prices.of("Fuji", "113", "premium") == 9
    assert prices.of("Fuji", "100") == 5
    assert Prices([CartonPrice(variety="Gala", per_carton=0)]).of("Gala", "100") == 0
    assert Prices([CartonPrice(variety="Gala", per_carton=0)]).of("Fuji", "100") is None


def test_cartons_by_grade_are_worth_the_price_of_their_grade() -> None:
    cartons = np.array([[100.0, 40.0]])
    grades = {"premium": 0.75 * cartons, "second": 0.25 * cartons}
    prices = Prices(
        [
            CartonPrice(grade="premium", per_carton=20),
            CartonPrice(size_class="75-90", grade="second", per_carton=8),
        ]
    )
    # 0.75 · 140 · 20 and 0.25 · 40 · 8; the second grade of the small class has no price.
    value, lacking = value_of(cartons, grades, "Gala", prices, TABLE)
    assert value.tolist() == [2100 + 80]
    assert lacking == ("60-75",)


# ---------------------------------------------------------------- at stake


def test_without_prices_the_cartons_of_the_forecast_are_at_stake() -> None:
    inputs = block_inputs(settings=Settings(draws=400))
    settings = Settings(draws=400)
    found = worth(inputs, settings=settings)
    drawn = draw_block(inputs, TABLE, settings, draw_shared(settings))
    assert drawn.cartons is not None
    cartons = drawn.cartons.sum(axis=1)
    assert not found.in_money
    assert found.mean == pytest.approx(cartons.mean())
    assert found.at_stake == pytest.approx(cartons.std())
    assert found.blocks[0].part_of_farm == pytest.approx(found.at_stake)


def test_without_prices_the_cartons_are_those_that_the_forecast_tells() -> None:
    told = Estimate(113.0, 129.0, 147.0)
    forecast = kept([block_inputs(settings=Settings(draws=400))], Settings(draws=400))
    whole = replace(forecast.total, cartons=told)
    name = forecast.inputs[0].estimate.block.block_id
    forecast = replace(forecast, blocks=(replace(whole, name=name),), total=whole)
    found = worth_of_farm(forecast, (), Settings())
    assert [one.value for one in found.blocks] == [told]
    assert found.value == told


def test_a_block_stakes_its_value_times_its_relative_error() -> None:
    # 6 of 75 fruit are 8 %; Student's t of 200 degrees spreads 0.5 % more. Drawn 1,000 times, a
    # standard deviation is known to 2.2 %, here given three times that.
    (block,) = worth(counted_only(), prices=[CartonPrice(per_carton=20)]).blocks
    cartons = worth(counted_only()).mean
    assert block.mean == pytest.approx(20 * cartons)
    assert block.at_stake / block.mean == pytest.approx(0.0804, rel=0.066)


def test_errors_of_their_own_average_out_and_shared_ones_do_not() -> None:
    names = ("Hill", "Mill", "Rill", "Sill")
    own = worth(*(counted_only(name) for name in names))
    # Four alike: each stakes half of the farm's stake, not a quarter; drawn, correlations stray by
    # 3 % each.
    assert own.at_stake == pytest.approx(own.at_stake_alone, rel=0.1)
    assert own.at_stake == pytest.approx(2 * own.blocks[0].at_stake, rel=0.1)

    together = replace(DRAWN, cull_share_error=0.05)
    shared = worth(
        *(
            replace(counted_only(name, error=0.0), losses=block_inputs(settings=together).losses)
            for name in names
        ),
        settings=together,
    )
    assert shared.at_stake == pytest.approx(sum(one.at_stake for one in shared.blocks))
    assert shared.at_stake_alone == pytest.approx(shared.at_stake / 2)


@pytest.mark.parametrize(("trees", "first_look"), [(7, True), (8, False)])
def test_a_block_of_few_trees_is_told_as_a_first_look(trees: int, first_look: bool) -> None:
    assert worth(counted_only(trees=trees)).blocks[0].first_look is first_look


def test_the_parts_of_the_blocks_add_up_to_what_the_farm_stakes() -> None:
    usual = Settings(draws=400)
    inputs = [
        block_inputs(block_estimate(name, with_sizes=sizes(mean_mm=mm)), settings=usual)
        for name, mm in (("Hill", 66.0), ("Mill", 70.0), ("Rill", 73.0))
    ]
    found = worth(*inputs, settings=usual)
    assert sum(one.part_of_farm for one in found.blocks) == pytest.approx(found.at_stake)
    assert found.at_stake < sum(one.at_stake for one in found.blocks)
    assert found.at_stake > found.at_stake_alone


# ---------------------------------------------------------------- what to measure


def test_more_trees_take_off_what_the_arithmetic_says() -> None:
    (block,) = worth(counted_only()).blocks
    (photos,) = [one for one in block.measures if one.measure.work is Work.PHOTOGRAPH]
    # 12 of 1,000 trees become 22: the error goes by the root of (1/22 - 1/1000) / (1/12 - 1/1000),
    # its P90 by Student's t of 21 degrees instead of 11.
    root = ((1 / 22 - 1 / 1000) / (1 / 12 - 1 / 1000)) ** 0.5
    narrower = root * stdtrit(21, 0.9) / stdtrit(11, 0.9)
    assert photos.at_stake_then == pytest.approx(block.at_stake * narrower)
    assert photos.measure.more == 10
    # Two minutes a tree, and ten for the way there and back.
    assert photos.measure.minutes == 30
    assert photos.per_hour == pytest.approx(2 * photos.narrows_by)


def test_only_what_narrows_a_block_is_offered_and_only_what_it_has_room_for() -> None:
    # All trees counted, sizes known exactly: only photos help.
    estimate = counted_only().estimate
    assert estimate.factor is not None
    factor = replace(estimate.factor, trees=12)
    whole = replace(counted_only(), estimate=replace(estimate, factor=factor))
    assert [one.measure.work for one in worth(whole).blocks[0].measures] == [Work.PHOTOGRAPH]
    # A weak factor: counts help. Unchecked millimetres: calipers do.
    weak = block_estimate(with_sizes=sizes(), counted=6, error=9.0)
    found = worth(block_inputs(weak, settings=Settings(draws=400)), settings=Settings(draws=400))
    works = {one.measure.work: one for one in found.blocks[0].measures}
    assert set(works) == {Work.PHOTOGRAPH, Work.COUNT, Work.CALIPER}
    assert works[Work.COUNT].measure.more == 5
    per_hour = [one.per_hour for one in found.blocks[0].measures]
    assert per_hour == sorted(per_hour, reverse=True)


def test_the_dear_block_is_measured_first_and_a_long_way_counts() -> None:
    hill, mill = counted_only("Hill"), counted_only("Mill")
    dear = replace(
        mill, estimate=replace(mill.estimate, block=replace(mill.estimate.block, variety="Fuji"))
    )
    prices = [
        CartonPrice(variety="Gala", per_carton=10),
        CartonPrice(variety="Fuji", per_carton=30),
    ]
    found = worth(hill, dear, prices=prices)
    assert found.in_money
    assert [one.block_id for one in found.blocks] == ["Mill", "Hill"]
    far = worth_of_farm(kept([hill, dear]), prices, replace(DRAWN, way_to_block_min=40.0))
    assert far.blocks[0].best_per_hour == pytest.approx(found.blocks[0].best_per_hour / 2)


# ---------------------------------------------------------------- what is not known


def test_what_can_not_be_priced_is_told_and_not_left_out_unseen() -> None:
    no_counts = block_inputs(block_estimate("Sill", with_sizes=sizes(), counted=0))
    fuji = counted_only("Mill")
    fuji = replace(
        fuji, estimate=replace(fuji.estimate, block=replace(fuji.estimate.block, variety="Fuji"))
    )
    found = worth(
        counted_only("Hill"),
        fuji,
        no_counts,
        prices=[
            CartonPrice(variety="Gala", size_class="60-75", per_carton=10),
            CartonPrice(variety="Gala", size_class="113", per_carton=12),
        ],
    )
    assert [one.block_id for one in found.blocks] == ["Hill"]
    assert found.unknown == ("Sill",)
    assert found.unpriced == ("Mill",)
    assert found.lacking == {"Gala": ("75-90",)}
    assert found.unused == ("113",)


def test_a_farm_without_any_value_is_told_as_that() -> None:
    found = worth(block_inputs(block_estimate("Sill", with_sizes=sizes(), counted=0)))
    assert found.blocks == ()
    assert found.value is None
    assert found.at_stake == 0


def test_a_forecast_of_an_earlier_version_is_refused_with_what_to_do() -> None:
    with pytest.raises(ForecastError, match="earlier version"):
        worth_of_farm(forecast_of(counted_only()), (), DRAWN)


def test_what_a_fruit_is_worth_is_the_value_by_the_fruit_picked() -> None:
    (block,) = worth(counted_only(error=0.0), prices=[CartonPrice(per_carton=20)]).blocks
    inputs = counted_only(error=0.0)
    fruit = draw_block(inputs, TABLE, DRAWN, draw_shared(DRAWN)).fruit.mean()
    assert block.per_fruit == pytest.approx(block.mean / fruit)


def test_grades_of_the_farm_part_the_value() -> None:
    graded = replace(
        counted_only(error=0.0),
        grades=tuple(
            ClassGrade(size_class=name, grade=grade, share=share)
            for name in ("60-75", "75-90")
            for grade, share in (("premium", 0.6), ("second", 0.4))
        ),
    )
    cartons = worth(counted_only(error=0.0)).mean
    prices = [CartonPrice(grade="premium", per_carton=20), CartonPrice(per_carton=5)]
    assert worth(graded, prices=prices).mean == pytest.approx(cartons * (0.6 * 20 + 0.4 * 5))


def test_classes_that_hold_next_to_nothing_need_no_price() -> None:
    table = SizeTable(
        name="one",
        unit="mm",
        carton_kg=18.0,
        classes=(SizeClass(name="a", low=60, high=75), SizeClass(name="b", low=75, high=90)),
    )
    cartons = np.array([[100.0, 0.2], [90.0, 0.3]])
    prices = Prices([CartonPrice(size_class="a", per_carton=10)])
    assert value_of(cartons, {}, "Gala", prices, table)[1] == ()

"""What was learned of past seasons, in a forecast: its middle, its range, its words, its bridge."""

from dataclasses import replace
from math import log

import numpy as np
import pytest

from fruitvision.domain import BlockInputs, Learned, LearnedNumber, Stage
from fruitvision.forecast.bridge import bridge
from fruitvision.forecast.crop_draws import CropDraws
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.drawn_with import DrawnWith
from fruitvision.forecast.shared import draw_shared
from fruitvision.forecast.words import rests_on
from fruitvision.records import from_json, from_plain, to_json, to_plain
from fruitvision.settings import Settings
from tests.forecast_records import EXACT, TABLE, block_estimate, block_inputs, exact_sizes, sizes
from tests.test_bridge import forecast_of, steps

SETTINGS = Settings(draws=2000)
UP = Learned(stage=Stage.QUOTE, count=LearnedNumber(value=log(1.1)), seasons=3, who="Ines")


def drawn(inputs: BlockInputs, settings: Settings = SETTINGS) -> CropDraws:
    return draw_block(inputs, TABLE, settings, draw_shared(settings))


def exact() -> BlockInputs:
    estimate = replace(block_estimate(with_sizes=exact_sizes(), error=0.0))
    inputs = block_inputs(estimate, settings=EXACT)
    return replace(inputs, growth=replace(inputs.growth, mm3_per_day_error=0.0))


def test_without_anything_learned_nothing_moves() -> None:
    plain, nothing = block_inputs(), Learned(stage=Stage.QUOTE)
    before, after = drawn(plain), drawn(replace(plain, learned=nothing))
    assert np.array_equal(before.fruit, after.fruit)
    assert np.array_equal(before.cartons, after.cartons)


def test_a_count_of_a_tenth_more_is_a_tenth_more_fruit_in_every_draw() -> None:
    plain = block_inputs()
    before, after = drawn(plain), drawn(replace(plain, learned=UP))
    assert after.fruit == pytest.approx(1.1 * before.fruit)
    assert after.cartons == pytest.approx(1.1 * before.cartons)
    assert after.diameter_mm == pytest.approx(before.diameter_mm)


def test_visible_fruit_alone_are_not_corrected() -> None:
    plain = block_inputs(block_estimate(with_sizes=sizes(), counted=0))
    assert np.array_equal(drawn(plain).fruit, drawn(replace(plain, learned=UP)).fruit)


def test_a_millimetre_more_is_a_millimetre_at_every_pick() -> None:
    plain = block_inputs(shares=(0.5, 0.5))
    larger = replace(
        plain, learned=replace(UP, count=LearnedNumber(), size_mm=LearnedNumber(value=1.0))
    )
    before, after = drawn(plain), drawn(larger)
    for one, two in zip(before.passes, after.passes, strict=True):
        # Which fruit a pass takes hangs on their masses, which all grow.
        assert np.mean(two.diameter_mm - one.diameter_mm) == pytest.approx(1.0, abs=0.05)
    assert after.fruit == pytest.approx(before.fruit)
    assert after.tonnes.mean() > 1.03 * before.tonnes.mean()


def test_five_points_more_culls_are_five_points_less_packed() -> None:
    # 0.20 culled by the settings: 0.75 of what was 0.80 packed.
    plain = exact()
    more = replace(plain, learned=Learned(stage=Stage.LAST, cull=LearnedNumber(value=0.05)))
    before, after = drawn(plain, EXACT), drawn(more, EXACT)
    assert after.cartons == pytest.approx(before.cartons * 0.75 / 0.80)


def test_its_error_widens_the_range_and_never_narrows_it() -> None:
    plain = block_inputs()
    unsure = replace(UP, count=LearnedNumber(value=0.0, error=0.08, common_error=0.05))
    before, after = drawn(plain).fruit, drawn(replace(plain, learned=unsure)).fruit
    relative = [float(np.std(np.log(one))) for one in (before, after)]
    assert relative[1] == pytest.approx(np.hypot(relative[0], 0.08), rel=0.06)


def test_blocks_share_the_farm_s_part_of_the_error() -> None:
    def fruit(name: str, number: LearnedNumber) -> CropDraws:
        estimate = replace(exact().estimate)
        estimate = replace(estimate, block=replace(estimate.block, block_id=name))
        learned = Learned(stage=Stage.LAST, count=number)
        settings = replace(EXACT, draws=4000)
        return drawn(replace(exact(), estimate=estimate, learned=learned), settings)

    def correlation(common_error: float) -> float:
        number = LearnedNumber(error=0.1, common_error=common_error)
        pair = [np.log(fruit(name, number).fruit) for name in ("A", "B")]
        return float(np.corrcoef(*pair)[0, 1])

    assert correlation(0.1) == pytest.approx(1.0)
    assert correlation(0.0) == pytest.approx(0.0, abs=0.05)
    assert correlation(0.1 * 0.5**0.5) == pytest.approx(0.5, abs=0.05)


def test_what_was_learned_is_a_cause_of_its_own_in_the_bridge() -> None:
    plain = block_inputs()
    found = bridge(
        forecast_of(plain), [replace(plain, learned=UP)], DrawnWith(table=TABLE, settings=SETTINGS)
    )
    assert found.cartons == pytest.approx(1.1 * found.earlier_cartons)
    assert steps(found)["learned"] == pytest.approx(0.1 * found.earlier_cartons)
    assert all(value == 0 for cause, value in steps(found).items() if cause != "learned")


def test_it_is_named_in_what_the_forecast_rests_on() -> None:
    plain = block_inputs()
    corrected = replace(plain, learned=replace(UP, size_mm=LearnedNumber(value=-0.84)))
    assert "corrected" not in rests_on([plain])
    assert rests_on([corrected]).endswith(
        "; corrected by packing results of 3 seasons: fruit +10.0 %, size -0.8 mm, culls +0.0 "
        "points, accepted by Ines."
    )
    assert "1 of 2 blocks corrected by packing results" in rests_on([plain, corrected])


def test_inputs_of_earlier_versions_are_read_and_the_new_ones_come_back() -> None:
    plain = block_inputs()
    document = to_plain(plain)
    assert document.pop("learned") is None
    assert from_plain(BlockInputs, document) == plain
    corrected = replace(plain, learned=UP)
    assert from_json(BlockInputs, to_json(corrected)) == corrected

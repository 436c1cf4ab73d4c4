"""What must hold of a forecast for any numbers: nothing is lost, nothing is promised twice."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fruitvision.domain import (
    ClassCull,
    ClassGrade,
    Forecast,
    GrowthRate,
    Losses,
    Pick,
    PickPlan,
    SizeTable,
)
from fruitvision.forecast.bridge import bridge
from fruitvision.forecast.crop_draws import CropDraws, add_draws
from fruitvision.forecast.culls import cull_shares
from fruitvision.forecast.draw import draw_block
from fruitvision.forecast.drawn_with import DrawnWith
from fruitvision.forecast.grades import graded
from fruitvision.forecast.growth import grow_to, growth_shift_mm
from fruitvision.forecast.packout import DrawnSizes, fruit_nodes, sort_into_classes
from fruitvision.forecast.picks import monday_of, moved, pick_weights
from fruitvision.forecast.shared import draw_shared, drawn_share
from fruitvision.forecast.size_bands import size_bands
from fruitvision.forecast.summary import estimate_of
from fruitvision.forecast.weight import fit_power
from fruitvision.settings import Settings
from fruitvision.size_table import at_net_weight, table_of_counts
from tests.forecast_records import EXACT, TABLE, block_estimate, block_inputs, exact_sizes, sizes
from tests.records import PICK, WALK
from tests.test_bridge import forecast_of

DRAWS = Settings(draws=100)
COUNTS = table_of_counts([72, 80, 88, 100, 113, 125], carton_kg=18.0, name="counts")
means = st.floats(55, 85)
rates = st.floats(0, 12_000)
shares = st.lists(st.floats(0, 1), min_size=1, max_size=4).filter(lambda s: sum(s) > 0.1)


def plan_of(parts: list[float], *, left: float = 0.0) -> PickPlan:
    total = sum(parts)
    return PickPlan(
        picks=tuple(
            Pick(pick_date=PICK + timedelta(days=7 * n), share=one / total, date_error_days=0)
            for n, one in enumerate(parts)
        ),
        left_share=left,
    )


@given(means, st.floats(0, 12), rates, rates)
def test_more_growth_never_makes_smaller_fruit_and_the_mean_cube_gains_what_it_is_given(
    mean: float, sd: float, gain: float, more: float
) -> None:
    shift = float(growth_shift_mm(mean, sd, 20 * gain))
    assert shift >= -1e-9
    assert float(growth_shift_mm(mean, sd, 20 * (gain + more))) >= shift - 1e-9
    # Third moment about nothing of a symmetric spread: x³ + 3σ²x.
    end = mean + shift
    gained = end**3 + 3 * sd**2 * end - mean**3 - 3 * sd**2 * mean
    assert gained == pytest.approx(20 * gain, rel=1e-6, abs=1e-3)


@given(st.lists(st.floats(40, 90), min_size=2, max_size=20), rates, st.integers(0, 60))
def test_fruit_keep_their_order_and_distances_as_they_grow(
    diameters: list[float], rate: float, days: int
) -> None:
    now = np.array(diameters)
    later = grow_to(now, mm3_per_day=rate, days=days)
    assert (later - now) == pytest.approx(float(later[0] - now[0]), abs=1e-9)
    again = grow_to(
        grow_to(now, mm3_per_day=rate, days=days // 2), mm3_per_day=rate, days=days - days // 2
    )
    assert again == pytest.approx(later, abs=1e-6)


@given(
    st.lists(st.floats(50, 400), min_size=2, max_size=12),
    shares,
    st.floats(0, 1),
    st.integers(0, 2**32 - 1),
)
def test_passes_and_what_is_left_are_the_whole_crop(
    masses: list[float], parts: list[float], left: float, seed: int
) -> None:
    plan = plan_of(parts, left=left)
    weights = np.random.default_rng(seed).dirichlet(np.ones(len(masses)))
    found = pick_weights(np.tile(masses, (len(parts), 1)), weights, plan)
    assert (found >= 0).all()
    assert (found.sum(axis=0) <= weights + 1e-9).all()
    wanted = [pick.share for pick in plan.picks]
    wanted[-1] *= 1 - left
    assert found.sum(axis=1) == pytest.approx(wanted, abs=1e-9)
    assert found.sum() == pytest.approx(1 - plan.picks[-1].share * left, abs=1e-9)


@given(st.integers(-400, 400), shares)
def test_a_plan_moves_there_and_back(days: int, parts: list[float]) -> None:
    plan = plan_of(parts)
    assert moved(moved(plan, days=days), days=-days) == plan
    monday = monday_of(PICK + timedelta(days=days))
    assert monday.weekday() == 0
    assert 0 <= (PICK + timedelta(days=days) - monday).days <= 6


@given(means, st.floats(0, 0.2), st.floats(0.7, 1.4), st.sampled_from([TABLE, COUNTS]))
def test_classes_hold_every_fruit_and_every_gram_once(
    mean: float, scatter: float, stretch: float, table: SizeTable
) -> None:
    quantiles = sizes(mean_mm=mean).quantiles_mm
    nodes = fruit_nodes(quantiles, mean_mm=mean, scatter=scatter)
    drawn = DrawnSizes(
        mean_mm=np.array([mean, mean + 2]),
        stretch=np.full(2, stretch),
        factor=np.full(2, 3.8e-4),
        power=3.0,
    )
    bags = replace(
        table, classes=tuple(replace(one, fruit_per_carton=None) for one in table.classes)
    )
    found = sort_into_classes(nodes, nodes.weights, drawn, bags)
    assert found.mass_g is not None
    assert (found.shares >= -1e-12).all()
    assert found.shares.sum(axis=1) == pytest.approx(1.0)
    assert found.mass_g.sum(axis=1) == pytest.approx(found.total_g)
    # Larger fruit: never more of them below any limit.
    below = np.cumsum(found.shares, axis=1)
    assert (below[1] <= below[0] + 1e-12).all()
    assert found.total_g[1] > found.total_g[0]


@given(st.floats(61, 89), st.floats(0, 15))
def test_a_larger_fruit_is_never_in_a_smaller_class(mm: float, more: float) -> None:
    def class_of(diameter: float) -> int:
        nodes = fruit_nodes([diameter], mean_mm=diameter, scatter=0.0)
        drawn = DrawnSizes(
            mean_mm=np.array([diameter]), stretch=np.ones(1), factor=np.full(1, 3.8e-4), power=3.0
        )
        return int(sort_into_classes(nodes, nodes.weights, drawn, COUNTS).shares[0].argmax())

    assert class_of(mm + more) >= class_of(mm)


def crop_of(inputs_changes: dict[str, object], *, exact: Settings = EXACT) -> CropDraws:
    inputs = block_inputs(block_estimate(with_sizes=exact_sizes(), error=0.0), settings=exact)
    return draw_block(replace(inputs, **inputs_changes), TABLE, exact, draw_shared(exact))  # type: ignore[arg-type]


@settings(max_examples=20)
@given(st.floats(0, 0.9), st.floats(0, 0.9), shares, st.floats(0, 0.9))
def test_packed_culled_dropped_and_left_fruit_are_the_fruit_of_the_walk(
    drop: float, cull: float, parts: list[float], left: float
) -> None:
    losses = Losses(drop_share=drop, drop_share_error=0, cull_share=cull, cull_share_error=0)
    plan = plan_of(parts, left=left)
    trays = replace(
        TABLE, classes=tuple(replace(one, fruit_per_carton=50) for one in TABLE.classes)
    )
    estimate = block_estimate(with_sizes=exact_sizes(), error=0.0)
    inputs = replace(block_inputs(estimate, settings=EXACT), losses=losses, plan=plan)
    crop = draw_block(inputs, trays, EXACT, draw_shared(EXACT))
    assert crop.cartons is not None
    assert crop.class_fruit is not None
    walked = 75 * 1000
    hanging = walked * (1 - drop)
    last = plan.picks[-1].share
    assert crop.fruit == pytest.approx(hanging * (1 - last * left))
    # What no class of the table takes lies below it and above it.
    assert crop.class_fruit.sum(axis=1) == pytest.approx(crop.fruit)
    inside = crop.class_fruit[:, 1:-1]
    assert crop.cartons * 50 + cull * inside == pytest.approx(inside)


@settings(max_examples=15)
@given(st.integers(0, 60), st.integers(1, 30), rates)
def test_a_later_pick_never_brings_smaller_fruit_or_a_lighter_crop(
    days: int, later: int, rate: float
) -> None:
    growth = GrowthRate(mm3_per_day=rate, mm3_per_day_error=0, source="test")
    first, second = (
        crop_of(
            {
                "growth": growth,
                "plan": PickPlan(picks=(Pick(pick_date=WALK + timedelta(days=ahead)),)),
            }
        )
        for ahead in (days, days + later)
    )
    for one, other in ((first.diameter_mm, second.diameter_mm), (first.tonnes, second.tonnes)):
        assert one is not None
        assert other is not None
        assert (other >= one - 1e-9).all()


@settings(max_examples=15)
@given(st.integers(1, 5000), st.integers(2, 5))
def test_so_many_times_the_trees_are_so_many_times_the_crop(trees: int, times: int) -> None:
    crops = []
    for bearing in (trees, times * trees):
        estimate = replace(
            block_estimate(with_sizes=sizes()), bearing_trees=float(bearing), bearing_trees_error=0
        )
        inputs = block_inputs(estimate, settings=DRAWS)
        crops.append(draw_block(inputs, TABLE, DRAWS, draw_shared(DRAWS)))
    one, many = crops
    assert many.fruit == pytest.approx(times * one.fruit)
    assert many.cartons == pytest.approx(times * one.cartons)
    assert many.tonnes == pytest.approx(times * one.tonnes)
    assert many.diameter_mm == pytest.approx(one.diameter_mm)


@settings(max_examples=10)
@given(st.permutations(["Gala North", "Fuji Hill", "Braeburn West"]))
def test_the_order_of_the_blocks_changes_no_farm(names: list[str]) -> None:
    def farm(order: list[str]) -> CropDraws:
        return add_draws(
            [
                draw_block(
                    block_inputs(block_estimate(name, with_sizes=sizes())),
                    TABLE,
                    DRAWS,
                    draw_shared(DRAWS),
                )
                for name in order
            ]
        )

    found, sorted_found = farm(names), farm(sorted(names))
    assert found.fruit == pytest.approx(sorted_found.fruit)
    assert found.cartons == pytest.approx(sorted_found.cartons)
    assert found.diameter_mm == pytest.approx(sorted_found.diameter_mm)


@settings(max_examples=12)
@given(
    st.floats(40, 120),
    st.floats(60, 75),
    st.floats(2000, 7000),
    st.floats(0, 0.3),
    st.floats(0, 0.5),
    st.integers(-5, 12),
)
def test_the_steps_of_a_bridge_add_up_to_the_change(
    per_tree: float, mean: float, rate: float, drop: float, cull: float, days: int
) -> None:
    old = block_inputs(block_estimate(with_sizes=sizes()), settings=DRAWS)
    new = replace(
        old,
        estimate=replace(
            block_estimate(with_sizes=sizes(mean_mm=mean)), fruit_per_tree_mean=per_tree
        ),
        growth=GrowthRate(mm3_per_day=rate, mm3_per_day_error=200, source="test"),
        losses=Losses(
            drop_share=drop, drop_share_error=0.02, cull_share=cull, cull_share_error=0.05
        ),
        plan=moved(old.plan, days=days),
    )
    earlier: Forecast = forecast_of(old)
    with_both = DrawnWith(table=TABLE, settings=DRAWS)
    there = bridge(earlier, [new], with_both)
    assert there.earlier_cartons + sum(step.cartons for step in there.steps) == pytest.approx(
        there.cartons
    )
    back = bridge(forecast_of(new), [old], with_both)
    assert (back.earlier_cartons, back.cartons) == pytest.approx(
        (there.cartons, there.earlier_cartons)
    )


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=50))
def test_quantiles_are_in_order_and_within_the_draws(draws: list[float]) -> None:
    found = estimate_of(np.array(draws))
    assert min(draws) <= found.p10 <= found.p50 <= found.p90 <= max(draws)


@settings(max_examples=10)
@given(st.sampled_from([2.0, 2.5, 5.0]), st.floats(60, 80))
def test_steps_of_the_diameter_touch_and_hold_the_crop(step: float, mean: float) -> None:
    inputs = block_inputs(block_estimate(with_sizes=exact_sizes(mean_mm=mean)), settings=EXACT)
    bands = size_bands([inputs], EXACT, step_mm=step)
    assert all(one.high_mm == other.low_mm for one, other in pairwise(bands))
    # What is left out at the ends is less than a thousandth a step.
    for name in ("at_walk", "at_pick"):
        p50 = [getattr(band, name).p50 for band in bands]
        assert 0.97 < sum(p50) <= 1 + 1e-9
        assert all(
            getattr(b, name).p10 <= getattr(b, name).p50 <= getattr(b, name).p90 for b in bands
        )


@given(
    st.floats(0, 1),
    st.floats(0, 0.5),
    st.lists(st.floats(-6, 6), min_size=1, max_size=8),
)
def test_a_drawn_share_is_a_share_and_rises_with_its_error(
    mid: float, error: float, normals: list[float]
) -> None:
    found = drawn_share(mid, error, np.sort(normals))
    assert (found >= 0).all()
    assert (found <= 1).all()
    assert (np.diff(found) >= 0).all()


@given(
    st.lists(
        st.tuples(st.sampled_from(["60-75", "75-90"]), st.sampled_from(["extra", "first"])),
        max_size=4,
        unique=True,
    ),
    st.lists(st.floats(0.01, 1), min_size=4, max_size=4),
)
def test_grades_of_a_class_are_all_of_its_cartons(
    rows: list[tuple[str, str]], parts: list[float]
) -> None:
    grades = [
        ClassGrade(size_class=name, grade=grade, share=part)
        for (name, grade), part in zip(rows, parts, strict=False)
    ]
    cartons = np.array([[10.0, 20.0], [0.0, 5.0]])
    found = graded(cartons, grades, TABLE)
    if not rows:
        assert found == {}
    else:
        assert sum(found.values()) == pytest.approx(cartons)
        assert all((one >= 0).all() for one in found.values())


@given(st.floats(10, 25), st.lists(st.integers(40, 200), min_size=2, max_size=8, unique=True))
def test_classes_of_counts_touch_and_keep_their_number_at_another_net_weight(
    carton_kg: float, counts: list[int]
) -> None:
    table = table_of_counts(counts, carton_kg=18.0, name="counts")
    assert [int(one.name) for one in table.classes] == sorted(counts, reverse=True)
    other = at_net_weight(table, carton_kg)
    for size_class, again in zip(table.classes, other.classes, strict=True):
        assert again.fruit_per_carton == size_class.fruit_per_carton
        # A fruit of the count weighs carton ÷ count, within the class's limits (0.1 g rounded).
        assert size_class.low - 0.06 <= 18_000 / int(size_class.name) <= size_class.high + 0.06
        assert again.low / size_class.low == pytest.approx(carton_kg / 18.0)
    assert all(one.high == after.low for one, after in pairwise(table.classes))


@given(st.floats(1e-5, 1e-2), st.floats(2, 4), st.floats(0.5, 2), st.integers(4, 12))
def test_a_power_rule_is_found_again_and_masses_scale_its_factor(
    factor: float, power: float, times: float, fruit: int
) -> None:
    mm = np.linspace(55, 85, fruit)
    grams = factor * mm**power
    found = fit_power(mm, grams)
    assert found.power == pytest.approx(power)
    assert np.exp(found.log_factor) == pytest.approx(factor)
    scaled = fit_power(mm, times * grams)
    assert scaled.power == pytest.approx(power)
    assert np.exp(scaled.log_factor) == pytest.approx(times * factor)


@given(st.floats(0, 1), st.floats(0, 1))
def test_culls_of_a_class_take_the_place_of_those_of_all(all_of: float, own: float) -> None:
    losses = Losses(
        drop_share=0,
        drop_share_error=0,
        cull_share=all_of,
        cull_share_error=0,
        culls_by_class=(ClassCull(size_class="75-90", cull_share=own),),
    )
    assert cull_shares(losses, TABLE).tolist() == [all_of, own]

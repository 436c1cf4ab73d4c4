"""Cartons by class read as millimetres, against a library's fit of grouped data and known truth."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import CensoredData, norm

from fruitvision.domain import BlockInputs, ClassCull, PackedCartons, SizeClass, SizeTable
from fruitvision.learning.expected import ExpectedCrop, SizeMove
from fruitvision.learning.packed_sizes import (
    fruit_by_class,
    likeliest_move,
    packed_by_class,
    read_sizes,
    unknown_classes,
)
from fruitvision.size_table import load_size_table
from tests.forecast_records import EXACT, block_estimate, block_inputs, exact_sizes

# 68 mm at the walk, ± 5 mm, 4,000 mm³ a day.
LIMITS = (45, 55, 60, 65, 70, 75, 80, 85, 100)
BY_MM = SizeTable(
    name="mm",
    unit="mm",
    carton_kg=18.0,
    classes=tuple(
        SizeClass(name=f"{low}-{high}", low=low, high=high, fruit_per_carton=100)
        for low, high in pairwise(LIMITS)
    ),
)
COUNTS = load_size_table("box_counts_42lb")


def inputs(*shares: float) -> BlockInputs:
    estimate = block_estimate(with_sizes=exact_sizes(), error=0.0)
    return block_inputs(estimate, settings=EXACT, shares=shares)


def crop(table: SizeTable = BY_MM, *shares: float, days_late: int = 0) -> ExpectedCrop:
    return ExpectedCrop(inputs(*shares), table, EXACT, days_late=days_late)


def test_it_is_the_maximum_likelihood_fit_of_a_library() -> None:
    # Fruit in classes, drawn from N(70, 6): scipy fits mean and spread of interval-censored data.
    number = np.diff(norm(70.0, 6.0).cdf(LIMITS)) * 4000
    number = np.round(number)
    low, high = (np.repeat(ends, number.astype(int)) for ends in (LIMITS[:-1], LIMITS[1:]))
    mean, spread = norm.fit(CensoredData(interval=np.stack([low, high], axis=1)))
    found = likeliest_move(number, crop(), fits_spread=True)
    # The forecast's shape is 199 points of a normal one, so that its tails are a little short.
    assert crop().mean_mm(found) == pytest.approx(mean, abs=0.05)
    assert crop().sd_mm(found) == pytest.approx(spread, rel=0.02)


@pytest.mark.parametrize("table", [BY_MM, COUNTS], ids=["by mm", "by count"])
@pytest.mark.parametrize("move", [SizeMove(mm=-1.8), SizeMove(mm=2.5, stretch=1.2)])
def test_cartons_made_of_a_move_give_that_move_back(table: SizeTable, move: SizeMove) -> None:
    expected = crop(table)
    shares = expected.shares(move)[1:-1]
    per_carton = [one.fruit_per_carton or 0 for one in table.classes]
    cartons = 20_000 * shares * 0.8 / per_carton
    found = read_sizes(cartons, expected, table)
    assert found is not None
    assert found.move.mm == pytest.approx(move.mm, abs=0.02)
    assert found.move.stretch == pytest.approx(move.stretch, abs=0.01)
    assert found.packed_fruit == pytest.approx(0.8 * 20_000 * shares.sum())


def test_classes_that_are_culled_more_do_not_look_like_other_sizes() -> None:
    plain = inputs()
    culls = (
        ClassCull(size_class="80-85", cull_share=0.5),
        ClassCull(size_class="85-100", cull_share=0.6),
    )
    losses = replace(plain.losses, culls_by_class=culls)
    expected = ExpectedCrop(replace(plain, losses=losses), BY_MM, EXACT)
    cartons = 20_000 * expected.shares()[1:-1] * (1 - expected.cull_shares) / 100
    found = read_sizes(cartons, expected, BY_MM)
    assert found is not None
    assert found.move.mm == pytest.approx(0.0, abs=0.02)
    assert expected.cull_share > 0.2


def test_two_classes_tell_no_spread_and_none_tell_nothing() -> None:
    expected = crop()
    two = np.zeros(len(BY_MM.classes))
    two[4:6] = 10.0
    found = read_sizes(two, expected, BY_MM)
    assert found is not None
    assert not found.fits_spread
    assert found.move.stretch == 1.0
    assert read_sizes(np.zeros(len(BY_MM.classes)), expected, BY_MM) is None


def test_a_later_pick_finds_larger_fruit() -> None:
    # 68 → D³ + 4,000 a day.
    walk_to_pick = crop().mean_mm()
    later = crop(days_late=5).mean_mm() - walk_to_pick
    assert later == pytest.approx(5 * 4000 / (3 * walk_to_pick**2), rel=0.05)


def test_passes_are_added() -> None:
    one, two = crop(BY_MM), crop(BY_MM, 0.4, 0.6)
    assert two.shares().sum() == pytest.approx(1.0)
    assert two.mean_mm() > one.mean_mm()
    assert two.mean_mm(SizeMove(mm=1.5)) == pytest.approx(two.mean_mm() + 1.5)


def test_cartons_of_fruit_sizes_and_culls() -> None:
    expected = crop(COUNTS)
    as_forecast = expected.cartons(fruit=20_000)
    assert expected.cartons(fruit=22_000) == pytest.approx(1.1 * as_forecast)
    assert expected.cartons(fruit=20_000, more_culls=0.08) == pytest.approx(0.9 * as_forecast)
    larger = expected.cartons(fruit=20_000, move=SizeMove(mm=2.0))
    # 2 mm of 74 are 8.3 % of the weight, and a carton holds a weight.
    assert larger / as_forecast == pytest.approx(1.083, abs=0.02)


def test_grades_are_added_and_strange_classes_named() -> None:
    cartons = [
        PackedCartons(size_class="113", cartons=10, grade="first"),
        PackedCartons(size_class="113", cartons=5, grade="second"),
        PackedCartons(size_class="giant", cartons=3),
    ]
    by_class = packed_by_class(cartons, COUNTS)
    assert by_class.sum() == 15
    assert unknown_classes(cartons, COUNTS) == {"giant": 3.0}
    fruit = fruit_by_class(by_class, crop(COUNTS), COUNTS)
    assert fruit.sum() == pytest.approx(15 * 113)


def test_a_class_by_weight_holds_fruit_by_their_weight() -> None:
    by_weight = replace(
        BY_MM, classes=tuple(replace(one, fruit_per_carton=None) for one in BY_MM.classes)
    )
    expected = crop(by_weight)
    index = 4
    grams = expected.class_g()[index]
    assert 3.8e-4 * 70**3 < grams < 3.8e-4 * 75**3
    cartons = np.zeros(len(by_weight.classes))
    cartons[index] = 10
    assert fruit_by_class(cartons, expected, by_weight).sum() == pytest.approx(10 * 18_000 / grams)

"""A forecast against what came in, in words: which way it was wrong, and by how much."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.score.words import variety_words
from fruitvision.domain import BridgeStep
from fruitvision.learning.score import VarietyScore
from fruitvision.unit_system import METRIC

RIGHT = VarietyScore(
    variety="Gala",
    season=2026,
    blocks=("Gala North",),
    days_before=12,
    count=0.0,
    size_mm=0.0,
    packed=0.0,
    late_days=0.0,
    late_mm=0.0,
    steps=(),
    hand_counts=5,
    trees=10,
)


def words(**changed: object) -> str:
    return variety_words(replace(RIGHT, **changed), METRIC.diameter)  # type: ignore[arg-type]


def test_a_forecast_that_was_right_says_so_of_each_number() -> None:
    assert words() == (
        "The forecast 12 days before the pick was right in count, right in size, pack-out as "
        "assumed. The number rested on 10 trees and 5 hand counts."
    )


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("count", 0.12, "12% high in count"),
        ("count", -0.12, "12% low in count"),
        ("size_mm", 1.5, "1.5 mm high in size"),
        ("size_mm", -1.5, "1.5 mm low in size"),
        ("packed", 0.04, "pack-out 4 points higher than assumed"),
        ("packed", -0.01, "pack-out 1 point lower than assumed"),
    ],
)
def test_an_error_is_told_with_its_way(field: str, value: float, told: str) -> None:
    assert told in words(**{field: value})


def test_what_can_not_be_compared_is_left_out_and_nothing_is_no_error() -> None:
    assert "was right in size, pack-out as assumed." in words(count=None)
    assert "was not compared yet." in words(count=None, size_mm=None, packed=None)


def test_picks_that_came_on_other_days_are_told_from_a_day_on() -> None:
    assert words(late_days=0.9, late_mm=0.3) == words()
    later, earlier = words(late_days=6.0, late_mm=1.2), words(late_days=-6.0, late_mm=-1.2)
    assert later != earlier
    for told in (later, earlier):
        assert "6 days" in told
        assert "1.2" in told


def test_the_layer_that_moved_most_cartons_is_named_last() -> None:
    steps = (BridgeStep(cause="count", cartons=-100), BridgeStep(cause="size", cartons=40))
    told = words(steps=steps)
    assert replace(RIGHT, steps=steps).main_cause == "count"
    assert told.count("the number of fruit") == 2
    assert "Main cause: the number of fruit." in told
    assert "their size +40" in told

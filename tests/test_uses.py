"""Numbers to work with: nothing is promised of a first look, and never a carton too many."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fruitvision.domain import CropForecast, Doubt, Estimate, UseQuantiles
from fruitvision.forecast.uses import is_firm, to_promise, whole_number
from fruitvision.report.forecast import use_lines
from tests.test_frozen import version

TEN = UseQuantiles(promise=0.1, labour=0.5, bins=0.9)


def crop(name: str, p10: float, *doubts: Doubt) -> CropForecast:
    return CropForecast(
        name=name,
        variety="Gala",
        pick_date=None,
        fruit=Estimate(1, 2, 3),
        diameter_mm=None,
        bins=None,
        tonnes=None,
        cartons=Estimate(p10, p10 + 50, p10 + 100),
        classes=(),
        doubts=doubts,
    )


GALA, SLOPE = crop("Gala North", 120.0), crop("Fuji Slope", 121.0, Doubt.FEW_TREES)
BOTH = crop("Larkhill", 260.0, Doubt.FEW_TREES)


def test_the_whole_is_promised_where_no_block_is_a_first_look() -> None:
    other = crop("Fuji Hill", 121.0)
    assert to_promise(BOTH, (GALA, other), TEN) == pytest.approx(260.0)


def test_of_a_first_look_nothing_is_promised() -> None:
    assert to_promise(BOTH, (GALA, SLOPE), TEN) == pytest.approx(120.0)
    assert to_promise(SLOPE, (SLOPE,), TEN) == 0.0


def test_nothing_is_promised_of_a_pick_that_was_past() -> None:
    past = crop("Fuji Hill", 121.0, Doubt.PAST_PICK)
    assert to_promise(BOTH, (GALA, past), TEN) == pytest.approx(120.0)
    assert to_promise(past, (past,), TEN) == 0.0
    assert not is_firm(past)
    assert is_firm(GALA)


@pytest.mark.parametrize(
    ("value", "use", "whole"),
    [(16.78, "promise", 16), (17.0, "promise", 17), (8.2, "bins", 9), (3.0, "labour", 3)],
)
def test_promises_are_rounded_down_and_orders_up(value: float, use: str, whole: int) -> None:
    assert whole_number(value, use) == whole


@pytest.mark.parametrize(
    ("blocks", "words"),
    [
        ((GALA,), "(less comes in with a chance of 10 %; whole cartons, rounded down)"),
        ((GALA, SLOPE), "(without the blocks named below; of the others less comes in with a "),
        ((SLOPE,), "(no block is firm)"),
    ],
)
def test_what_may_be_promised_is_not_told_as_a_number_of_the_whole_farm(
    blocks: tuple[CropForecast, ...], words: str
) -> None:
    made = replace(version(1), blocks=blocks, total=BOTH, quantiles=TEN)
    (promise,) = (line for line in use_lines(made) if "to promise" in line)
    assert words in promise
    named = [line for line in use_lines(made) if "Nothing is promised of Fuji Slope" in line]
    assert len(named) == (SLOPE in blocks)

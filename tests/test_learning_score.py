"""The score: coverage with its binomial range, errors by stage and variety, what is used when."""

import re
from dataclasses import replace
from datetime import UTC, date, datetime
from math import log

import pytest

from fruitvision.domain import (
    Block,
    BridgeStep,
    Estimate,
    Learned,
    LearnedChoice,
    LearnedNumber,
    Stage,
)
from fruitvision.learning.corrections import accepted_for, proposals, with_choices, with_learned
from fruitvision.learning.layers import Comparison, Layer
from fruitvision.learning.score import coverage, score, truth_of
from fruitvision.report.score import score_lines, variety_words
from tests.forecast_records import block_inputs

BLOCKS = [Block(block_id=name, variety="Gala", positions=300) for name in ("North", "South")]


def held(
    *,
    block: str = "North",
    variety: str = "Gala",
    season: int = 2026,
    days: int = 40,
    forecast: float = 1000.0,
    actual: float = 1000.0,
    mm: float = 0.0,
    cull: float = 0.0,
    left_out: str = "",
    steps: tuple[BridgeStep, ...] = (),
) -> Comparison:
    """A forecast of fruit with a range of a tenth either way, and what came in."""
    stage = Stage.QUOTE if days > 30 else Stage.LAST
    return Comparison(
        forecast_id=f"{season}-{days}",
        made_on=date(season, 8, 1),
        frozen=False,
        block_id=block,
        variety=variety,
        season=season,
        stage=stage,
        days_before=days,
        left_out=left_out,
        fruit=Estimate(0.9 * forecast, forecast, 1.1 * forecast),
        actual_fruit=actual,
        diameter_mm=None,
        actual_mm=None,
        cartons=None,
        actual_cartons=None,
        count=Layer(value=log(actual / forecast), result_error=0.03, forecast_error=0.07),
        size_mm=Layer(value=mm, result_error=0.3, forecast_error=1.0),
        cull=Layer(value=cull, result_error=0.02, forecast_error=0.04),
        actual_cull=0.2 + cull,
        stretch=1.0,
        days_late=0,
        late_mm=0.0,
        steps=steps,
        hand_counts=5,
        trees=12,
        packed_share=1.0,
    )


def test_coverage_is_told_with_wilsons_range() -> None:
    found = coverage([held(actual=1000.0)] * 14 + [held(actual=1200.0)] * 4)
    assert found is not None
    # z = 1.645, n = 18, p = 14/18: (p + z²/2n ± z·√(p(1−p)/n + z²/4n²)) / (1 + z²/n).
    assert (found.inside, found.of) == (14, 18)
    assert (found.low, found.high) == pytest.approx((0.587, 0.896), abs=0.001)
    assert found.fits
    assert coverage([replace(held(), actual_fruit=None)]) is None


def test_ranges_that_hold_half_of_the_truth_do_not_fit() -> None:
    found = coverage([held()] * 15 + [held(actual=1500.0)] * 15)
    assert found is not None
    assert not found.fits
    assert found.share == 0.5


def test_cartons_are_judged_where_they_are_known_else_fruit() -> None:
    by_fruit = held()
    assert truth_of(by_fruit) == (by_fruit.fruit, 1000.0)
    cartons = Estimate(90.0, 100.0, 110.0)
    known = replace(by_fruit, cartons=cartons, actual_cartons=130.0)
    assert truth_of(known) == (cartons, 130.0)


def test_the_last_look_counts_and_seasons_and_stages_are_told_apart() -> None:
    found = score(
        [
            held(days=40, actual=1300.0),
            held(days=10),
            held(block="South", days=40),
            held(season=2025, days=40, actual=1300.0),
            held(block="South", season=2025, left_out="hail", actual=300.0),
        ]
    )
    assert found.coverage is not None
    assert (found.coverage.inside, found.coverage.of, found.left_out) == (2, 3, 1)
    assert [(year, one.inside, one.of) for year, one in found.by_season] == [
        (2026, 2, 2),
        (2025, 0, 1),
    ]
    quote, last = found.by_stage
    assert (quote.stage, quote.forecasts) == (Stage.QUOTE, 3)
    assert (last.stage, last.forecasts) == (Stage.LAST, 1)
    # 1,000 against 1,300 is 23 % low, twice of three.
    assert quote.count == pytest.approx((-2 / 3 * 0.2308, (2 / 3) ** 0.5 * 0.2308), abs=0.001)


def test_blocks_of_a_variety_are_weighted_by_their_fruit() -> None:
    steps = (
        BridgeStep(cause="count", cartons=-9.0),
        BridgeStep(cause="size", cartons=20.0),
        BridgeStep(cause="culls", cartons=-3.0),
    )
    (one,) = score(
        [
            held(forecast=1100.0, actual=1000.0, mm=2.0, cull=-0.05, steps=steps),
            held(block="South", forecast=2850.0, actual=3000.0, mm=1.0, cull=-0.01, steps=steps),
        ]
    ).varieties
    # 3,950 forecast, 4,000 came in; 2 mm of a quarter, 1 mm of three quarters of the fruit.
    assert one.count == pytest.approx(-0.0125)
    assert one.size_mm == pytest.approx(-1.25)
    assert one.packed == pytest.approx(0.02)
    assert one.main_cause == "size"
    assert [step.cartons for step in one.steps] == [-18.0, 40.0, -6.0]
    assert variety_words(one) == (
        "Gala 2026, 2 blocks: forecast 40 days before the pick was 1 % low in count, 1.2 mm low "
        "in size, pack-out 2 points higher than assumed. In cartons: the number of fruit -18, "
        "their size +40, the culls -6. Main cause: their size. The number rested on 24 trees and "
        "10 hand counts."
    )


def test_a_later_pick_is_told_beside_the_errors() -> None:
    (one,) = score([replace(held(), days_late=4, late_mm=1.0)]).varieties
    assert "Picked 4 days later than planned (+1.0 mm, not counted as an error)." in variety_words(
        one
    )


def test_lines_say_inside_by_word() -> None:
    lines = "\n".join(score_lines(score([held(), held(block="South", actual=1300.0)])))
    assert "1 of 2 results ended inside P10–P90; 8 of 10 should." in lines
    assert "1,000 (900–1,100) fruit" in lines
    assert " NO" in lines


def test_a_long_range_keeps_its_distance() -> None:
    (line,) = (
        one
        for one in score_lines(score([held(actual=23456.0, forecast=22234.0)]))
        if "23,456" in one
    )
    assert f"{date(2026, 8, 1).year}" in line
    assert re.search(r"\d  +22,234 \(20,011–24,457\) fruit +23,456", line)


# ---------------------------------------------------------------- corrections


def test_old_seasons_are_forgotten() -> None:
    base = {"North": 0.2, "South": 0.2}
    recent = [held(season=2026)]
    old = [held(season=2019, actual=2000.0)]
    assert proposals(recent + old, BLOCKS, cull_base=base) == proposals(
        recent, BLOCKS, cull_base=base
    )


def test_culls_are_told_against_what_is_assumed_now() -> None:
    # 25 % were culled; the farm assumes 20 % now, or has put in 25 % since.
    found = [held(season=2024 + year, cull=0.05) for year in range(3)]
    (before, _) = proposals(found, BLOCKS, cull_base={"North": 0.20, "South": 0.20})
    (after, _) = proposals(found, BLOCKS, cull_base={"North": 0.25, "South": 0.25})
    assert 0.02 < before.of(Stage.LAST).cull.value < 0.05
    assert after.of(Stage.LAST).cull.value == pytest.approx(0.0, abs=1e-9)


def test_the_latest_word_stands_beside_a_proposal() -> None:
    found = proposals([held()], BLOCKS, cull_base={})
    at = datetime(2026, 12, 1, tzinfo=UTC)
    words = [
        LearnedChoice(block_id="North", accepted=accepted, who="Ines", at=at)
        for accepted in (True, False)
    ]
    north, south = with_choices(found, words)
    assert north.choice == words[1]
    assert south.choice is None


def test_a_stage_without_a_correction_of_its_own_takes_the_nearest() -> None:
    at = datetime(2026, 12, 1, tzinfo=UTC)
    learned = Learned(stage=Stage.PLAN, count=LearnedNumber(value=0.05))
    choice = LearnedChoice(block_id="North", accepted=True, who="Ines", at=at, by_stage=(learned,))
    assert accepted_for(choice, Stage.LAST) == replace(learned, who="Ines")
    assert accepted_for(replace(choice, accepted=False), Stage.LAST) is None
    assert accepted_for(None, Stage.LAST) is None


def test_culls_that_are_assumed_anew_are_not_corrected_twice() -> None:
    learned = Learned(
        stage=Stage.PLAN,
        count=LearnedNumber(value=0.05),
        cull=LearnedNumber(value=0.04, error=0.02),
        cull_base=0.2,
    )
    same = with_learned(block_inputs(), learned, cull_share=0.205)
    assert same.learned == learned
    other = with_learned(block_inputs(), learned, cull_share=0.25).learned
    assert other is not None
    assert (other.cull, other.count) == (LearnedNumber(), learned.count)

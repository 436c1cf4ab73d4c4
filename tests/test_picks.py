"""Passes of a harvest: published arithmetic, shares, order, and what can't be meant."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import norm

from fruitvision.domain import Pick, PickPlan
from fruitvision.errors import ForecastError
from fruitvision.forecast.picks import check_plan, monday_of, moved, pick_weights, strip_pick
from fruitvision.settings import Settings
from tests.records import PICK, WALK

NODES = 4000
NORMAL = norm.ppf((np.arange(NODES) + 0.5) / NODES)
EQUAL = np.full(NODES, 1 / NODES)


def plan(*shares: float, left: float = 0.0, doubling_g: float = 20.0) -> PickPlan:
    return PickPlan(
        picks=tuple(
            Pick(pick_date=PICK + timedelta(days=7 * number), share=share)
            for number, share in enumerate(shares)
        ),
        doubling_g=doubling_g,
        left_share=left,
    )


def masses(passes: int, *, g_per_day: float = 1.0) -> np.ndarray:
    """Fruit of 165 g, SD 35 g, that grow alike, a week from pass to pass."""
    return np.stack([165 + 35 * NORMAL + 7 * g_per_day * number for number in range(passes)])


def mean_sd(taken: np.ndarray, mass_g: np.ndarray) -> tuple[float, float]:
    mean = float((taken * mass_g).sum() / taken.sum())
    return mean, float(np.sqrt((taken * (mass_g - mean) ** 2).sum() / taken.sum()))


def test_the_worked_example_of_three_colour_picks() -> None:
    # Mean 165 g, SD 35 g, 1 g a day, odds doubling every 20 g, picks of "about 35/33/29 %" a week
    # apart: 187, 174 and 157 g, all together 173 g with SD 31 instead of 35. Shares of 34.7, 32.9
    # and 28.6 % print as 35/33/29; the rest is left on the tree.
    shares = (0.347, 0.329, 0.324)
    of_three = plan(*shares, left=1 - 0.286 / 0.324)
    taken, mass_g = pick_weights(masses(3), EQUAL, of_three), masses(3)
    assert [round(mean_sd(t, m)[0]) for t, m in zip(taken, mass_g, strict=True)] == [187, 174, 157]
    whole = mean_sd(taken, mass_g)
    assert (round(whole[0]), round(whole[1])) == (173, 31)
    assert [round(100 * share) for share in taken.sum(axis=1)] == [35, 33, 29]


def test_scenario_38_three_picks_take_what_one_would_and_fall_in_size() -> None:
    # Scenario: 35/33/32 %, nothing left.
    taken, mass_g = pick_weights(masses(3), EQUAL, plan(0.35, 0.33, 0.32)), masses(3)
    assert taken.sum(axis=1) == pytest.approx([0.35, 0.33, 0.32], abs=1e-12)
    assert taken.sum(axis=0) == pytest.approx(EQUAL, abs=1e-15)
    assert np.all(taken >= 0)
    means = [mean_sd(t, m)[0] for t, m in zip(taken, mass_g, strict=True)]
    assert means[0] > means[1] > means[2]
    assert mean_sd(taken, mass_g)[1] < 35 - 2


def test_the_odds_of_being_picked_double_every_twenty_grams() -> None:
    taken = pick_weights(masses(2), EQUAL, plan(0.4, 0.6))[0] * NODES
    odds = taken / (1 - taken)
    mass_g = masses(1)[0]
    at_150, at_170, at_190 = (np.interp(at, mass_g, odds) for at in (150, 170, 190))
    assert at_170 / at_150 == pytest.approx(2, rel=1e-3)
    assert at_190 / at_170 == pytest.approx(2, rel=1e-3)


def test_a_strip_pick_takes_all_sizes_alike() -> None:
    taken = pick_weights(masses(1), EQUAL, plan(1.0, left=0.1))
    assert taken.shape == (1, NODES)
    assert taken[0] == pytest.approx(0.9 * EQUAL)


def test_what_is_left_at_the_last_colour_pick_is_small() -> None:
    taken = pick_weights(masses(2), EQUAL, plan(0.5, 0.5, left=0.2))
    left = EQUAL - taken.sum(axis=0)
    assert left.sum() == pytest.approx(0.1)
    assert mean_sd(left, masses(2)[1])[0] < mean_sd(taken[1], masses(2)[1])[0] - 10


def test_leaving_the_last_pick_leaves_all_of_it() -> None:
    taken = pick_weights(masses(2), EQUAL, plan(0.6, 0.4, left=1.0))
    assert taken.sum(axis=1) == pytest.approx([0.6, 0.0])


def test_a_pass_that_takes_nothing_takes_nothing() -> None:
    taken = pick_weights(masses(3), EQUAL, plan(0.0, 1.0, 0.0))
    assert taken.sum(axis=1) == pytest.approx([0, 1, 0])


@pytest.mark.parametrize("little", [1e-15, 1e-40, 1e-300])
def test_a_pass_that_takes_next_to_nothing_is_no_trouble(little: float) -> None:
    taken = pick_weights(masses(2), EQUAL, plan(little, 1.0 - little))
    assert taken.sum(axis=1) == pytest.approx([little, 1.0])
    assert (taken >= 0).all()


def test_shares_are_met_with_steep_and_with_flat_odds() -> None:
    for doubling_g in (0.5, 1e6):
        taken = pick_weights(masses(2), EQUAL, plan(0.3, 0.7, doubling_g=doubling_g))
        assert taken.sum(axis=1) == pytest.approx([0.3, 0.7], abs=1e-12)
    # Steep odds take the largest 30 %: those above the 70th centile.
    steep = pick_weights(masses(2), EQUAL, plan(0.3, 0.7, doubling_g=0.5))[0] * NODES
    assert steep[NORMAL > 0.55].min() > 0.5
    assert steep[NORMAL < 0.5].max() < 0.5


def test_a_plan_moves_as_a_whole() -> None:
    later = moved(plan(0.5, 0.5), days=5)
    assert [p.pick_date for p in later.picks] == [
        PICK + timedelta(days=5),
        PICK + timedelta(days=12),
    ]
    assert strip_pick(PICK, Settings(pick_date_error_days=4)).picks[0].date_error_days == 4


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (PickPlan(picks=()), "no pick date"),
        (plan(0.5, 0.4), r"shares of the picks of Hill are 0\.5, 0\.4"),
        (plan(1.2, -0.2), "shares of the picks of Hill"),
        (plan(1.0, left=1.5), r"left on the tree of Hill is 1\.5"),
        (plan(0.5, 0.5, doubling_g=0.0), "step of 0 g"),
        (replace(plan(0.5, 0.5), left_share_error=-0.1), "errors"),
        (moved(plan(1.0), days=-60), f"before the photos of {WALK}"),
        (moved(plan(1.0), days=300), "two seasons"),
        (replace(plan(0.5, 0.5), picks=plan(0.5, 0.5).picks[::-1]), "not in order"),
    ],
)
def test_a_plan_that_cannot_be_meant_is_refused(wrong: PickPlan, words: str) -> None:
    with pytest.raises(ForecastError, match=words) as refusal:
        check_plan(wrong, walked_on=WALK, block_id="Hill")
    assert refusal.value.fix


def test_shares_may_miss_the_whole_by_half_a_per_cent_and_no_more() -> None:
    for good in (plan(0.35, 0.33, 0.32), plan(0.5, 0.504), plan(0.5, 0.496)):
        check_plan(good, walked_on=WALK, block_id="Hill")
    for wrong in (plan(0.5, 0.506), plan(0.5, 0.494)):
        with pytest.raises(ForecastError, match="shares of the picks of Hill"):
            check_plan(wrong, walked_on=WALK, block_id="Hill")


def test_the_first_pick_may_be_on_the_day_of_the_photos_and_none_on_that_of_another() -> None:
    check_plan(moved(plan(1.0), days=(WALK - PICK).days), walked_on=WALK, block_id="Hill")
    twice = plan(0.5, 0.5).picks[:1] * 2
    with pytest.raises(ForecastError, match="not in order"):
        check_plan(PickPlan(picks=twice), walked_on=WALK, block_id="Hill")


@pytest.mark.parametrize("number", ["left_share", "left_share_error"])
def test_numbers_of_a_plan_may_be_nothing(number: str) -> None:
    good = replace(plan(0.5, 0.5), **{number: 0.0})
    check_plan(good, walked_on=WALK, block_id="Hill")
    with pytest.raises(ForecastError):
        check_plan(replace(good, **{number: -0.01}), walked_on=WALK, block_id="Hill")


def test_a_week_starts_on_monday() -> None:
    # 3 September 2026 is a Thursday.
    assert monday_of(date(2026, 9, 3)) == date(2026, 8, 31)
    assert monday_of(date(2026, 8, 31)) == date(2026, 8, 31)

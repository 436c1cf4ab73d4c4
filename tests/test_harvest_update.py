"""The rest of a harvest by bin tickets: normal cases by hand, and whether ranges come true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from fruitvision.domain import (
    BinTicket,
    BlockInputs,
    Forecast,
    GrowthRate,
)
from fruitvision.harvest.calendar import calendar_of
from fruitvision.harvest.condition import condition, steps_away, told_by
from fruitvision.harvest.passes import DrawnHarvest, draw_harvest
from fruitvision.harvest.rest import RestDraws, rest_draws
from fruitvision.harvest.tickets import PassKey, PassState, sort_tickets
from fruitvision.harvest.update import HarvestUpdate, RestUpdate, harvest_update
from fruitvision.settings import Settings
from tests.records import PICK, WALK
from tests.test_harvest import kept, three_passes

SETTINGS = Settings(draws=2000)


def ticket(
    bins: float,
    block: str = "Gala North",
    *,
    number: int = 1,
    on: date = PICK,
    name: str = "",
) -> BinTicket:
    return BinTicket(
        ticket=name or f"{block} {number} {on}",
        block_id=block,
        picked_on=on,
        bins=bins,
        pass_number=number,
    )


def fuji() -> BlockInputs:
    """A block that shares scale, drop and season with the Gala, but neither weights nor growth."""
    inputs = three_passes("Mill")
    block = replace(inputs.estimate.block, variety="Fuji")
    return replace(
        inputs,
        estimate=replace(inputs.estimate, block=block),
        growth=GrowthRate(mm3_per_day=4000, mm3_per_day_error=200, source="blocks of Fuji"),
        weight=replace(inputs.weight, doubts=()),
    )


def gala(name: str) -> BlockInputs:
    """A Gala whose weights are the variety's own, as those of the other Gala are."""
    inputs = three_passes(name)
    return replace(inputs, weight=replace(inputs.weight, factor_error=0.06, doubts=()))


@pytest.fixture(scope="module")
def forecast() -> Forecast:
    return kept([gala("Gala North"), gala("Gala South"), fuji()], SETTINGS)


@pytest.fixture(scope="module")
def drawn(forecast: Forecast) -> DrawnHarvest:
    return draw_harvest(forecast, SETTINGS)


def rest_of(
    forecast: Forecast,
    drawn: DrawnHarvest,
    tickets: Sequence[BinTicket],
    finished: Sequence[PassKey] = (),
    settings: Settings = SETTINGS,
) -> RestDraws:
    return rest_draws(drawn, sort_tickets(tickets, forecast, drawn, finished), settings)


def update_of(rest: RestDraws) -> HarvestUpdate:
    return harvest_update(rest, forecast_id="1", farm="Larkhill")


def block_of(update: HarvestUpdate, name: str) -> RestUpdate:
    (found,) = (one for one in update.blocks if one.name == name)
    return found


def planned(drawn: DrawnHarvest, key: PassKey) -> float:
    (found,) = (one for one in drawn.passes if one.key == key)
    return float(np.median(found.draws.bins))


# ---------------------------------------------------------------- by hand


def test_one_sight_of_a_shared_error_by_hand() -> None:
    # Two blocks: x = common + own, sd 0.1 each: variance 0.02, covariance 0.01. The first is seen
    # at -0.3 with an error of variance 0.01: gains 0.02 / 0.03 and 0.01 / 0.03, so that the means
    # move to -0.2 and -0.1, the variances to 0.02 - 0.02²/0.03 = 0.00667 and 0.02 - 0.01²/0.03 =
    # 0.01667.
    common, own, other, noise = np.random.default_rng(5).standard_normal((4, 200_000))
    prior = 0.1 * np.stack([common + own, common + other], axis=1)
    seen = condition(prior, [0], np.array([-0.3]), np.array([0.1]), noise[:, np.newaxis])
    assert seen.mean(axis=0) == pytest.approx([-0.2, -0.1], abs=0.002)
    assert seen.var(axis=0) == pytest.approx([0.00667, 0.01667], rel=0.02)
    assert steps_away(prior, [0], np.array([-0.3]), np.array([0.1])) == pytest.approx(
        [-0.3 / 0.03**0.5], rel=0.01
    )
    told = told_by(prior[:, 1], prior, [0], np.array([-0.3]), np.array([0.1]))
    assert told == pytest.approx([-0.1], abs=0.002)


def test_several_sights_against_the_conditional_normal_of_a_textbook() -> None:
    # Mean m + C Hᵀ S⁻¹ (y - H m), covariance C - C Hᵀ S⁻¹ H C (e.g. Bishop, Pattern Recognition
    # and Machine Learning, 2.81 and 2.82), worked out without the draws.
    root = np.random.default_rng(1).normal(size=(5, 5)) * 0.1
    covariance, mean = root @ root.T, np.linspace(1, 2, 5)
    prior = multivariate_normal(mean, covariance, seed=2).rvs(200_000)
    seen, errors, values = [1, 3], np.array([0.05, 0.1]), np.array([1.1, 1.9])
    noise = np.random.default_rng(3).standard_normal((200_000, 2))
    found = condition(prior, seen, values, errors, noise)
    cross = covariance[:, seen]
    gain = cross @ np.linalg.inv(covariance[np.ix_(seen, seen)] + np.diag(errors**2))
    assert found.mean(axis=0) == pytest.approx(mean + gain @ (values - mean[seen]), abs=0.003)
    assert np.cov(found.T) == pytest.approx(covariance - gain @ cross.T, abs=6e-4)


def test_nothing_seen_changes_nothing() -> None:
    prior = np.random.default_rng(0).normal(size=(50, 3))
    assert condition(prior, [], np.zeros(0), np.zeros(0), np.zeros((50, 0))) is prior


# ---------------------------------------------------------------- one low pass


def test_a_first_pass_20_percent_under_plan_lowers_the_rest_of_its_block_most(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    low = 0.8 * planned(drawn, ("Gala North", 1))
    update = update_of(rest_of(forecast, drawn, [ticket(low)], [("Gala North", 1)]))
    moved = {
        one.name: one.moved_bins / one.rest_before.p50 for one in (*update.blocks, update.total)
    }
    assert moved["Gala North"] < moved["Gala South"] < moved["Mill"] < 0
    # Less than the pass fell short of: part of that hangs on for the next passes.
    assert -0.2 < moved["Gala North"] < -0.05
    own = block_of(update, "Gala North")
    assert own.picked_bins == pytest.approx(low)
    assert own.total.p50 == pytest.approx(low + own.rest.p50)
    assert own.rest.p90 - own.rest.p10 < own.rest_before.p90 - own.rest_before.p10
    assert {one.block_id for one in own.causes} == {"Gala North"}
    assert block_of(update, "Gala South").causes[0].effect == pytest.approx(
        moved["Gala South"], abs=0.015
    )


def test_a_pass_on_plan_moves_next_to_nothing_and_makes_the_rest_surer(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    on_plan = planned(drawn, ("Gala North", 1))
    update = update_of(rest_of(forecast, drawn, [ticket(on_plan)], [("Gala North", 1)]))
    for one in update.blocks:
        assert abs(one.moved_bins) < 0.02 * one.rest_before.p50
    own = block_of(update, "Gala North")
    assert own.rest.p90 - own.rest.p10 < 0.95 * (own.rest_before.p90 - own.rest_before.p10)


def test_a_low_pass_is_a_low_crop_the_less_the_less_is_known_of_its_share(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    low, done = [ticket(0.8 * planned(drawn, ("Gala North", 1)))], [("Gala North", 1)]
    moved = [
        block_of(
            update_of(
                rest_of(forecast, drawn, low, done, replace(SETTINGS, pass_share_error=error))
            ),
            "Gala North",
        ).moved_bins
        for error in (0.0, 0.1, 0.5)
    ]
    assert moved[0] < moved[1] < moved[2]
    # Where shares say next to nothing, what one pass left hangs on for the next.
    assert moved[2] > 0


def test_a_block_of_one_pass_is_known_when_it_is_picked(forecast: Forecast) -> None:
    one_pass = kept([replace(gala("Gala North"), plan=replace(gala("x").plan, picks=(
        replace(gala("x").plan.picks[0], share=1.0),
    ))), gala("Gala South")], SETTINGS)  # fmt: skip
    drawn = draw_harvest(one_pass, SETTINGS)
    update = update_of(rest_of(one_pass, drawn, [ticket(20)], [("Gala North", 1)]))
    own = block_of(update, "Gala North")
    assert (own.rest.p10, own.rest.p90) == (0, 0)
    assert own.total.p50 == 20
    assert block_of(update, "Gala South").moved_bins < 0


def test_shares_err_within_a_block_and_leave_its_crop(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    rest = rest_of(forecast, drawn, [])
    sure = [one.draws.bins for one in drawn.passes[:3]]
    assert np.sum(rest.planned[:3], axis=0) == pytest.approx(np.sum(sure, axis=0))
    spread = [np.std(np.log(one / other)) for one, other in zip(rest.planned, sure, strict=False)]
    # A pass that takes 40 % errs by less than 10 %, since it moves the whole that it is a share of:
    # its logarithm by 0.10 times (z1 less the mean of z by shares), whose spread is
    # (0.6² + 0.35² + 0.25²)^½ = 0.738 (shares of what comes in: a little off 40, 35, 25 %).
    assert spread[0] == pytest.approx(0.10 * 0.738, rel=0.05)


# ---------------------------------------------------------------- states, tickets


def test_a_pass_under_way_has_its_bins_and_teaches_nothing(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    rest = rest_of(forecast, drawn, [ticket(3), ticket(2, name="second")])
    update = update_of(rest)
    first, second, _ = update.passes[:3]
    assert (first.state, second.state) == (PassState.UNDER_WAY, PassState.TO_COME)
    assert first.picked_bins == 5
    assert first.rest.p50 == pytest.approx(first.planned.p50 - 5)
    assert second.rest == second.planned
    assert first.steps is None
    # More than was planned is picked: nothing is left of it, and never less than nothing.
    much = update_of(rest_of(forecast, drawn, [ticket(500)])).passes[0]
    assert much.rest.p90 == 0


def test_a_pass_is_finished_when_its_days_are_past_and_the_next_one_began(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    both = [ticket(10), ticket(1, number=2, on=PICK + timedelta(days=7))]
    found = sort_tickets(both, forecast, drawn)
    assert found.states["Gala North", 1] is PassState.FINISHED
    assert found.inferred == {("Gala North", 1)}
    assert found.states["Gala North", 2] is PassState.UNDER_WAY
    # On the day itself it may go on.
    early = [ticket(10), ticket(1, number=2, on=PICK)]
    assert sort_tickets(early, forecast, drawn).states["Gala North", 1] is PassState.UNDER_WAY
    # A person's word goes for the passes before, too; without tickets nothing is inferred.
    said = sort_tickets([], forecast, drawn, [("Gala North", 2)])
    assert [said.states["Gala North", n] for n in (1, 2, 3)] == [
        PassState.FINISHED, PassState.FINISHED, PassState.TO_COME,
    ]  # fmt: skip
    skipped = sort_tickets([both[1]], forecast, drawn)
    assert skipped.states["Gala North", 1] is PassState.TO_COME


def test_a_ticket_without_a_pass_goes_to_the_nearest_day(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    near = [
        ticket(1, number=0, on=PICK + timedelta(days=away), name=str(away))
        for away in (-1, 2, 5, 30)
    ]
    found = sort_tickets(near, forecast, drawn)
    assert found.bins == {("Gala North", 1): 2, ("Gala North", 2): 1, ("Gala North", 3): 1}


def test_tickets_that_belong_to_no_pass_are_listed_with_why(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    odd = [
        ticket(1, "Elsewhere"),
        ticket(2, on=WALK - timedelta(days=1), name="early"),
        ticket(3, number=4, name="fourth"),
        ticket(4, on=PICK - timedelta(days=365), name="last year"),
        ticket(5),
    ]
    found = sort_tickets(odd, forecast, drawn)
    assert found.bins == {("Gala North", 1): 5}
    assert found.other_seasons == 1
    assert {one.ticket.ticket: one.why for one in found.left_out} == {
        f"Elsewhere 1 {PICK}": "The forecast has no block 'Elsewhere'.",
        "early": f"It is of {WALK - timedelta(days=1)}, before the walk of {WALK}.",
        "fourth": "It is of pass 4, and the last one planned is 3.",
    }


def test_far_too_few_bins_are_called_out(forecast: Forecast, drawn: DrawnHarvest) -> None:
    usual, few = (
        update_of(
            rest_of(
                forecast,
                drawn,
                [ticket(part * planned(drawn, ("Gala North", 1)))],
                [("Gala North", 1)],
            )
        ).passes[0]
        for part in (0.85, 0.4)
    )
    assert not usual.surprising
    assert few.surprising
    assert few.steps is not None
    assert few.steps < -4


# ---------------------------------------------------------------- the days that are left


def test_the_calendar_of_the_rest_is_that_of_the_update(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    low = [ticket(10), ticket(2, number=2, on=PICK + timedelta(days=7))]
    rest = rest_of(forecast, drawn, low)
    update = update_of(rest)
    calendar = calendar_of(rest.to_come(), forecast, SETTINGS)
    assert calendar.total is not None
    assert calendar.total.bins.p50 == pytest.approx(update.total.rest.p50)
    assert sum(one.need.mean_bins for one in calendar.days) == pytest.approx(
        calendar.total.mean_bins
    )
    # The first pass is over, and what is left of the second comes on the next working day.
    assert ("Gala North", 1) not in {(one.block_id, one.number) for one in calendar.passes}
    (second,) = (p for p in calendar.passes if (p.block_id, p.number) == ("Gala North", 2))
    assert second.first_day == second.last_day == PICK + timedelta(days=8)
    # Pickers fall with the bins: the pass's fruit stay as large as they are.
    (before,) = (one for one in drawn.passes if one.key == ("Gala North", 3))
    (third,) = (p for p in calendar.passes if (p.block_id, p.number) == ("Gala North", 3))
    assert third.need.mean_picker_days / third.need.mean_bins == pytest.approx(
        before.draws.picker_days.mean() / before.draws.bins.mean(), rel=0.03
    )


def test_days_that_are_left_of_an_unsure_pass_share_all_of_its_rest() -> None:
    unsure = kept([three_passes(date_error_days=2.0)], SETTINGS)
    drawn = draw_harvest(unsure, SETTINGS)
    rest = rest_of(unsure, drawn, [ticket(3, on=PICK)])
    first = rest.to_come()[0]
    assert min(day for day, _ in first.days) > PICK
    assert sum(share for _, share in first.days) == pytest.approx(1)


# ---------------------------------------------------------------- do ranges come true


def test_ranges_of_the_rest_come_true_as_often_as_they_say(
    forecast: Forecast, drawn: DrawnHarvest
) -> None:
    """Harvests drawn as the forecast assumes them, with shares, bins and all; first passes seen."""
    settings = replace(SETTINGS, seed=77, draws=400)
    other = kept(forecast.inputs, settings)
    truths = rest_of(other, draw_harvest(other, settings), [], settings=settings).planned
    keys = [one.key for one in drawn.passes]
    fill = np.random.default_rng(9).normal(size=(400, 2))
    inside = dict.fromkeys(("Gala North", "Gala South", "Mill"), 0)
    narrower = []
    runs = 150
    for run in range(runs):
        came = {key: float(truth[run]) for key, truth in zip(keys, truths, strict=True)}
        bins = [
            came[name, 1] * np.exp(SETTINGS.bin_fill_error * fill[run, column])
            for column, name in enumerate(("Gala North", "Mill"))
        ]
        tickets = [ticket(bins[0]), ticket(bins[1], "Mill")]
        update = update_of(rest_of(forecast, drawn, tickets, [("Gala North", 1), ("Mill", 1)]))
        for one in update.blocks:
            passes = (2, 3) if one.name != "Gala South" else (1, 2, 3)
            left = sum(came[one.name, number] for number in passes)
            inside[one.name] += one.rest.p10 <= left <= one.rest.p90
        total = update.total
        narrower.append(
            (total.rest.p90 - total.rest.p10) / (total.rest_before.p90 - total.rest_before.p10)
        )
    # 80 % of 150 is 120; three standard errors of a share that is right are 15. Blocks share a
    # season, so that they err together: each is held by itself.
    for name, found in inside.items():
        assert abs(found - 0.8 * runs) <= 15, f"{name}: {found} of {runs}"
    assert np.mean(narrower) < 0.85

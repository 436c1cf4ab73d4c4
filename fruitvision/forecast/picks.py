"""The passes of a harvest: which fruit each takes, on which day, and what stays on the tree.

One pass is a strip pick. Several passes pick by colour, which goes with size: the odds that a
fruit is picked double with so many grams more ('Royal Gala' over several harvests, Hawke's Bay).
Fruit that are left keep growing until the next pass.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from fruitvision.domain import Pick, PickPlan
from fruitvision.errors import ForecastError
from fruitvision.forecast.growth import refuse_two_seasons
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Shares that people type need not add up beyond so much. Our choice: 33 + 33 + 34 % is exact.
SHARE_SLACK = 0.005
# The threshold of a pass is sought so far beyond the smallest and largest fruit, in steps of the
# odds. Our choice: at 60 steps the odds are 10^26.
WIDEST = 60.0
# Part of the crop that is nothing: which fruit it is no longer matters, and no threshold within
# those steps can tell it. Our choice: far below one fruit.
NO_FRUIT = 1e-12


def strip_pick(pick_date: date, settings: Settings) -> PickPlan:
    """One pass on that day, with the settings' date error."""
    return PickPlan(
        picks=(Pick(pick_date=pick_date, date_error_days=settings.pick_date_error_days),),
        doubling_g=settings.pick_doubling_g,
    )


def moved(plan: PickPlan, *, days: int) -> PickPlan:
    """The plan so many days later (or earlier, below 0), for a what-if."""
    later = timedelta(days=days)
    return replace(plan, picks=tuple(replace(p, pick_date=p.pick_date + later) for p in plan.picks))


def check_plan(plan: PickPlan, *, walked_on: date, block_id: str) -> None:
    """Refuse a plan that can't be meant.

    Raises
    ------
    ForecastError
        If there is no pass, passes are out of order, before the walk or in another season, shares
        do not add up to 1, or a number is out of its range.
    """
    if not plan.picks:
        raise ForecastError("There is no pick date.", fix="Enter the day of the pick.")
    days = [pick.pick_date for pick in plan.picks]
    if days[0] < walked_on:
        raise ForecastError(
            f"The pick date {days[0]} is before the photos of {walked_on}.",
            fix="Correct the pick date, or the phone's clock.",
        )
    refuse_two_seasons([walked_on, *days], f"Photos and picks of {block_id}")
    if any(later <= earlier for earlier, later in pairwise(days)):
        raise ForecastError(
            f"The picks of {block_id} are not in order: {', '.join(map(str, days))}.",
            fix="Give each pass a later day than the one before.",
        )
    _check_numbers(plan, block_id)


def _check_numbers(plan: PickPlan, block_id: str) -> None:
    shares = [pick.share for pick in plan.picks]
    if min(shares) < 0 or abs(sum(shares) - 1) > SHARE_SLACK:
        raise ForecastError(
            f"The shares of the picks of {block_id} are {', '.join(f'{s:g}' for s in shares)}.",
            fix="Give shares of 0 or more that add up to 1.",
        )
    if not 0 <= plan.left_share <= 1:
        raise ForecastError(
            f"The share left on the tree of {block_id} is {plan.left_share:g}.",
            fix="Give a share from 0 to 1.",
        )
    errors = (plan.left_share_error, *(pick.date_error_days for pick in plan.picks))
    if plan.doubling_g <= 0 or min(errors) < 0:
        raise ForecastError(
            f"The pick plan of {block_id} has a step of {plan.doubling_g:g} g and errors "
            f"{', '.join(f'{error:g}' for error in errors)}.",
            fix="Give a step above 0 g and errors of 0 or more.",
        )


def pick_weights(masses_g: Array, weights: Array, plan: PickPlan) -> Array:
    """Which part of the fruit each pass takes.

    Every pass takes its share of the crop exactly; of the share of the last pass, `left_share`
    stays on the tree, the small and green fruit first. In one strip pick what stays hangs at
    random.

    Parameters
    ----------
    masses_g : (passes, nodes) float
        Mass of the fruit of each node on the day of each pass.
    weights : (nodes,) float
        Share of the crop in each node; they add up to 1.

    Returns
    -------
    (passes, nodes) float
        Share of the crop that each pass takes from each node; together with what is left on the
        tree they add up to 1.
    """
    shares = np.array([pick.share for pick in plan.picks])
    shares /= shares.sum()
    shares[-1] *= 1 - plan.left_share
    if len(shares) == 1:
        return np.asarray(weights[np.newaxis] * shares[0])
    hanging = weights.astype(float)
    taken = []
    for mass_g, share in zip(masses_g, shares, strict=True):
        taken.append(_by_odds(mass_g, hanging, float(share), step_g=plan.doubling_g))
        hanging = np.maximum(hanging - taken[-1], 0.0)
    return np.stack(taken)


def _by_odds(mass_g: Array, hanging: Array, share: float, *, step_g: float) -> Array:
    """The part of each node that is picked, so that all of it is `share`."""
    everything = float(hanging.sum())
    if share >= everything * (1 - NO_FRUIT):
        return hanging
    if share <= NO_FRUIT * everything:
        return hanging * (max(share, 0.0) / everything)
    # Only here: it takes half a second to load.
    from scipy.optimize import brentq

    scale = step_g / np.log(2)

    def surplus(threshold: float) -> float:
        return float(hanging @ expit((mass_g - threshold) / scale)) - share

    low, high = mass_g.min() - WIDEST * scale, mass_g.max() + WIDEST * scale
    threshold = float(brentq(surplus, low, high, xtol=1e-9))
    picked = hanging * expit((mass_g - threshold) / scale)
    # The solver leaves a rest at the twelfth digit.
    return np.asarray(picked * (share / picked.sum()))


def monday_of(day: date) -> date:
    """The Monday of the ISO week of a day."""
    return day - timedelta(days=day.weekday())

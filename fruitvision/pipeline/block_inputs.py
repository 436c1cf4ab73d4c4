"""What each block is forecast from: its estimate, and what the farm keeps of picks and weights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from fruitvision.domain import BlockEstimate, BlockInputs, PickPlan, WeighedFruit, WeightRule
from fruitvision.errors import ForecastError
from fruitvision.forecast.inputs import default_losses
from fruitvision.forecast.picks import moved, strip_pick
from fruitvision.forecast.weight import FEWEST_WEIGHED, weight_rule
from fruitvision.pipeline.block_record import of_season
from fruitvision.pipeline.blocks import BlockWalks
from fruitvision.settings import Settings


def block_inputs(
    walk: BlockWalks,
    plan: PickPlan | None,
    weighed: Sequence[WeighedFruit],
    settings: Settings,
    *,
    first_pick: date | None = None,
) -> BlockInputs:
    """All that a block is forecast from.

    Parameters
    ----------
    plan : PickPlan or None
        The block's passes; None picks it once on its pick date.
    weighed : sequence of WeighedFruit
        Those of all varieties.
    first_pick : date, optional
        Another day for the first pass; the others move with it.

    Raises
    ------
    ForecastError
        If the block has neither plan nor pick date.
    FieldDataError
        If the weighed fruit of its variety make no sense.
    """
    estimate = walk.estimate
    plan = _plan(estimate, plan, settings, first_pick)
    block = replace(estimate.block, pick_date=plan.picks[0].pick_date)
    return BlockInputs(
        estimate=replace(estimate, block=block),
        growth=walk.growth,
        weight=_weight(block.variety, weighed, estimate.walked_on, settings),
        losses=default_losses(settings),
        plan=plan,
    )


def _plan(
    estimate: BlockEstimate, plan: PickPlan | None, settings: Settings, first_pick: date | None
) -> PickPlan:
    """The passes; one without an error of its day has that of the settings."""
    first = first_pick or estimate.block.pick_date
    if plan is None:
        if first is None:
            raise ForecastError("There is no pick date.", fix="Enter the day of the pick.")
        return strip_pick(first, settings)
    if first_pick is not None:
        plan = moved(plan, days=(first_pick - plan.picks[0].pick_date).days)
    error_days = settings.pick_date_error_days
    picks = (
        replace(pick, date_error_days=pick.date_error_days or error_days) for pick in plan.picks
    )
    return replace(plan, picks=tuple(picks))


def _weight(
    variety: str, weighed: Sequence[WeighedFruit], walked_on: date, settings: Settings
) -> WeightRule:
    """The variety's rule by the fruit weighed this season, by all its fruit where these are few."""
    of_variety = [fruit for fruit in weighed if fruit.variety == variety]
    now = [fruit for fruit in of_variety if of_season(fruit.weighed_on, walked_on)]
    return weight_rule(now if len(now) >= FEWEST_WEIGHED else of_variety, settings)

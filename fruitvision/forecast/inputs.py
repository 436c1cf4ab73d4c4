"""What a block's forecast is drawn from: the usual inputs, what-ifs, and what can't be meant."""

from __future__ import annotations

from dataclasses import replace

from fruitvision.domain import BlockEstimate, BlockInputs, GrowthRate, Losses, SizeTable
from fruitvision.errors import ForecastError
from fruitvision.forecast.culls import cull_shares
from fruitvision.forecast.grades import grade_shares
from fruitvision.forecast.growth import Weather, what_if_growth
from fruitvision.forecast.picks import check_plan, moved, strip_pick
from fruitvision.forecast.weight import default_weight
from fruitvision.settings import Settings


def default_losses(settings: Settings) -> Losses:
    """Drop and culls of the settings."""
    return Losses(
        drop_share=settings.drop_share,
        drop_share_error=settings.drop_share_error,
        cull_share=settings.cull_share,
        cull_share_error=settings.cull_share_error,
    )


def default_inputs(estimate: BlockEstimate, growth: GrowthRate, settings: Settings) -> BlockInputs:
    """One strip pick on the block's pick date, the general weight rule, the settings' losses.

    Raises
    ------
    ForecastError
        If the block has no pick date.
    """
    if estimate.block.pick_date is None:
        raise ForecastError("There is no pick date.", fix="Enter the day of the pick.")
    return BlockInputs(
        estimate=estimate,
        growth=growth,
        weight=default_weight(settings),
        losses=default_losses(settings),
        plan=strip_pick(estimate.block.pick_date, settings),
    )


def check_inputs(inputs: BlockInputs, table: SizeTable) -> None:
    """Refuse inputs that can't be meant.

    Raises
    ------
    ForecastError
        If the pick plan, the losses or the weight rule can't be meant.
    """
    name = inputs.estimate.block.block_id
    check_plan(inputs.plan, walked_on=inputs.estimate.walked_on, block_id=name)
    cull_shares(inputs.losses, table)
    grade_shares(inputs.grades, table)
    if not 0 <= inputs.losses.drop_share <= 1:
        raise ForecastError(
            f"The drop share of {name} is {inputs.losses.drop_share:g}.",
            fix="Give a share from 0 to 1.",
        )
    if not (inputs.weight.factor > 0 and inputs.weight.power > 0):
        raise ForecastError(
            f"The weight rule of {name} has factor {inputs.weight.factor:g} and power "
            f"{inputs.weight.power:g}.",
            fix="Give both above 0: fruit get heavier as they grow.",
        )


def what_if(
    inputs: BlockInputs, settings: Settings, *, weather: Weather = Weather.NORMAL, days: int = 0
) -> BlockInputs:
    """The inputs under other weather up to the pick, or picked so many days later."""
    return replace(
        inputs,
        growth=what_if_growth(inputs.growth, weather, settings),
        plan=moved(inputs.plan, days=days),
    )

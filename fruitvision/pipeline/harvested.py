"""Of which blocks and seasons the harvest is finished: only these are judged and learned from."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from fruitvision.domain import Forecast
from fruitvision.learning.matching import SeasonResult
from fruitvision.pipeline.pick_plans import kept_plans
from fruitvision.pipeline.picked import finished_passes, season_of
from fruitvision.store import Store


def harvested(
    store: Store, forecasts: Sequence[Forecast], results: Sequence[SeasonResult]
) -> tuple[SeasonResult, ...]:
    """Results of a harvest that is over: a person marked the block's last pass finished, or a later
    season was walked or forecast. One that was left out with a reason is there too: nothing hangs
    on it.

    Tickets alone can't tell: half a crop looks like a small one.

    Parameters
    ----------
    forecasts : sequence of Forecast
        In the order in which they were made.
    """
    running = max(map(_latest_season, forecasts), default=0)
    return tuple(
        one
        for one in results
        if one.season < running
        or one.left_out
        or _marked(store, forecasts, one)
        or store.walked_since(date(one.season + 1, 1, 1))
    )


def _latest_season(forecast: Forecast) -> int:
    return max((one.plan.picks[0].pick_date.year for one in forecast.inputs), default=0)


def _marked(store: Store, forecasts: Sequence[Forecast], result: SeasonResult) -> bool:
    """Whether a person said that the last pass through a block is finished."""
    for forecast in reversed(forecasts):
        blocks = {one.estimate.block.block_id for one in forecast.inputs}
        if result.block_id not in blocks or season_of(forecast) != result.season:
            continue
        last = len(kept_plans(store, forecast)[result.block_id].picks)
        said = finished_passes(store, result.season)
        return any(block == result.block_id and number >= last for block, number in said)
    return False

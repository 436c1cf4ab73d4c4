"""Of which blocks and seasons the harvest is finished: only these are judged and learned from."""

from __future__ import annotations

from collections.abc import Sequence

from fruitvision.domain import Forecast
from fruitvision.learning.matching import SeasonResult
from fruitvision.learning.pick_season import next_harvest_from, same_harvest
from fruitvision.pipeline.pick_plans import kept_plans
from fruitvision.pipeline.picked import finished_passes, first_picks_of
from fruitvision.store import Store


def harvested(
    store: Store, forecasts: Sequence[Forecast], results: Sequence[SeasonResult]
) -> tuple[SeasonResult, ...]:
    """Results of a harvest that is over: a person marked the block's last pass finished, or a later
    harvest was walked or forecast. One that was left out with a reason is there too: nothing hangs
    on it.

    Tickets alone can't tell: half a crop looks like a small one. Nor can New Year: blocks that are
    picked before it and after it are of one harvest (see `pick_season`).

    Parameters
    ----------
    forecasts : sequence of Forecast
        In the order in which they were made.
    """
    latest = max((day for one in forecasts for day in first_picks_of(one).values()), default=None)
    return tuple(
        one
        for one in results
        if one.left_out
        or (latest is not None and latest >= next_harvest_from(one.begins))
        or _marked(store, forecasts, one)
        or store.walked_since(next_harvest_from(one.begins))
    )


def _marked(store: Store, forecasts: Sequence[Forecast], result: SeasonResult) -> bool:
    """Whether a person said that the last pass through a block is finished."""
    for forecast in reversed(forecasts):
        picks = first_picks_of(forecast)
        first = picks.get(result.block_id)
        if first is None or not same_harvest(first, result.begins):
            continue
        last = len(kept_plans(store, forecast)[result.block_id].picks)
        said = finished_passes(store, picks)
        return any(block == result.block_id and number >= last for block, number in said)
    return False

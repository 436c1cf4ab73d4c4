"""Which forecasts are held against a season: one for each block and stage."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date

from fruitvision.domain import Forecast, Learned, Stage
from fruitvision.learning.corrections import taught_before
from fruitvision.learning.layers import Comparison, compare
from fruitvision.learning.lot_tables import TableOf
from fruitvision.learning.matching import SeasonResult
from fruitvision.learning.pick_season import same_harvest
from fruitvision.learning.stages import stage_of


def chosen_forecasts(
    forecasts: Sequence[Forecast], frozen: Collection[str], result: SeasonResult
) -> tuple[Forecast, ...]:
    """The forecasts that a result is held against: one a stage, the earliest stage first.

    Of several forecasts of a stage the last one that was frozen for sales counts, else the last
    one: it is what people worked with. What-ifs, forecasts made after the first pick, and those
    that were corrected by results of their own season do not count.

    Parameters
    ----------
    forecasts : sequence of Forecast
        In the order in which they were made.
    frozen : collection of str
        Versions that were frozen.
    """
    of_stage: dict[Stage, Forecast] = {}
    for forecast in forecasts:
        days = _days_before(forecast, result)
        if days is None or days < 0:
            continue
        stage = stage_of(days)
        before = of_stage.get(stage)
        if before is None or forecast.forecast_id in frozen or before.forecast_id not in frozen:
            of_stage[stage] = forecast
    return tuple(of_stage[stage] for stage in Stage if stage in of_stage)


def comparisons(
    forecasts: Sequence[Forecast],
    frozen: Collection[str],
    results: Sequence[SeasonResult],
    table_of: TableOf,
) -> tuple[Comparison, ...]:
    """Every result against its `chosen_forecasts`."""
    held = (
        compare(forecast, result, table_of, frozen=forecast.forecast_id in frozen)
        for result in results
        for forecast in chosen_forecasts(forecasts, frozen, result)
    )
    return tuple(one for one in held if one is not None)


def last_looks(found: Sequence[Comparison]) -> tuple[Comparison, ...]:
    """The last one before the pick, of every block and season."""
    last: dict[tuple[str, int], Comparison] = {}
    for one in found:
        key = one.block_id, one.season
        if key not in last or one.days_before <= last[key].days_before:
            last[key] = one
    return tuple(last.values())


def _days_before(forecast: Forecast, result: SeasonResult) -> int | None:
    """Days from a forecast of record to the first pick of that block in that season, as it was
    planned then; None if the forecast is of no such pick, or knew its result."""
    if forecast.what_if:
        return None
    for one in forecast.inputs:
        first = one.plan.picks[0].pick_date
        if one.estimate.block.block_id == result.block_id and same_harvest(first, result.begins):
            if _knew(one.learned, first):
                return None
            return (first - forecast.made_on).days
    return None


def _knew(learned: Learned | None, first_pick: date) -> bool:
    """Whether a correction may rest on that season itself: also where its season was not kept."""
    if learned is None:
        return False
    return not taught_before(learned, first_pick, said_in=first_pick.year)

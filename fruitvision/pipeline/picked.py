"""What people say and read of a harvest under way: finished passes, and the log of what is left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from fruitvision.domain import Estimate, Forecast, PickPlan, ThingKind
from fruitvision.errors import ForecastError, did_you_mean
from fruitvision.forecast.uses import is_past
from fruitvision.harvest.tickets import PassKey
from fruitvision.harvest.update import HarvestUpdate
from fruitvision.learning.matching import seasons_of
from fruitvision.learning.pick_season import first_picks, same_harvest, season_on
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.pick_plans import kept_plans
from fruitvision.pipeline.sales import of_record
from fruitvision.store import Store


def first_picks_of(forecast: Forecast) -> dict[str, date]:
    """The day of the first pick of each block of a forecast."""
    return {one.estimate.block.block_id: one.plan.picks[0].pick_date for one in forecast.inputs}


def finished_passes(store: Store, picks: Mapping[str, date]) -> dict[PassKey, datetime]:
    """Passes of a harvest of which a person said that they are finished, and when; the latest word
    counts. `picks` : the day of the first pick of each block, see `first_picks_of`."""
    farm_season = min((day.year for day in picks.values()), default=0)
    said: dict[PassKey, datetime | None] = {}
    for change in store.changes(kind=ThingKind.PASS):
        told = change.after or {}
        block_id = str(told.get("block"))
        if block_id in picks and _is_of(told, picks[block_id], farm_season):
            key = block_id, int(str(told["pass"]))
            said.setdefault(key, change.at if told["finished"] else None)
    return {key: at for key, at in said.items() if at is not None}


def _is_of(told: Mapping[str, object], first_pick: date, farm_season: int) -> bool:
    """Whether a mark is of the harvest of a block that begins on a day.

    Marks of earlier versions kept no day but the year of the farm's first pick.
    """
    pick = told.get("pick")
    if pick is None:
        return told.get("season") == farm_season
    return same_harvest(date.fromisoformat(str(pick)), first_pick)


def picked_blocks(store: Store, plans: Mapping[str, PickPlan]) -> frozenset[str]:
    """Blocks of which a person said that the last pass through them is finished.

    `plans` : the passes of each block, see `farm_plans`. A block whose passes are planned anew for
    the next harvest is picked no longer.
    """
    said = finished_passes(store, {name: one.picks[0].pick_date for name, one in plans.items()})
    return frozenset(name for name, number in said if number >= len(plans[name].picks))


def picked_since(store: Store, forecast: Forecast) -> tuple[str, ...]:
    """Blocks of which a forecast promises something, and whose last pass was marked finished since
    it was made."""
    picks, plans = first_picks_of(forecast), kept_plans(store, forecast)
    said = finished_passes(store, picks)
    over = {name for name, number in said if number >= len(plans[name].picks)}
    return tuple(one.name for one in forecast.blocks if one.name in over and not is_past(one))


def picked_words(names: Sequence[str]) -> str:
    """That these blocks are picked since a forecast was made, for who works with its numbers."""
    return (
        f"Picked since this forecast was made, as the last pass was marked finished: "
        f"{', '.join(names)}. Make and freeze a new forecast before you promise more."
    )


def mark_pass(key: PassKey, forecast: Forecast, store: Store, *, finished: bool, who: str) -> None:
    """Keep that a pass is finished, or that it is not after all; with who said so.

    Raises
    ------
    ForecastError
        If the forecast has no such block, or the farm plans no such pass.
    """
    block_id, number = key
    plans = kept_plans(store, forecast)
    if block_id not in plans:
        raise ForecastError(
            f"The forecast has no block '{block_id}'.", fix=did_you_mean(block_id, plans)
        )
    passes = len(plans[block_id].picks)
    if not 1 <= number <= passes:
        raise ForecastError(
            f"{block_id} has no pass {number}; its last one is {passes}.",
            fix="Give one of them, or load a pick plan (picks) with more.",
        )
    picks = first_picks_of(forecast)
    if (key in finished_passes(store, picks)) == finished:
        return
    first = picks[block_id]
    season = season_on(
        first, seasons_of(store.bin_tickets(), first_picks(of_record(store.forecasts())))[block_id]
    ).season
    fields = {"block": block_id, "pass": number, "season": season, "pick": first.isoformat()}
    store.note_change(
        ThingKind.PASS,
        f"{block_id} {number}/{passes}, {season}",
        {**fields, "finished": not finished},
        {**fields, "finished": finished},
        who=who,
        at=now_utc(),
    )


def log_update(update: HarvestUpdate, store: Store, *, who: str) -> int:
    """Write what is still to come of every block into the record of changes; how many lines.

    A block whose rest did not move by tickets, or that stands there already as it is now, gets no
    line.
    """
    written = 0
    for block in update.blocks:
        if not block.causes and not block.picked_bins:
            continue
        after = {
            "picked_bins": round(block.picked_bins, 1),
            "rest_bins": _rounded(block.rest),
            "forecast_id": update.forecast_id,
        }
        before = {
            "picked_bins": 0.0,
            "rest_bins": _rounded(block.planned),
            "forecast_id": update.forecast_id,
        }
        told = store.changes(kind=ThingKind.HARVEST_REST, about=block.name, most=1)
        if told and (told[0].after or {}).get("forecast_id") == update.forecast_id:
            before = dict(told[0].after or {})
        if before == after:
            continue
        store.note_change(ThingKind.HARVEST_REST, block.name, before, after, who=who, at=now_utc())
        written += 1
    return written


def _rounded(of: Estimate) -> list[float]:
    return [round(value, 1) for value in (of.p10, of.p50, of.p90)]

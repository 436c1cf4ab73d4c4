"""What people say and read of a harvest under way: finished passes, and the log of what is left."""

from __future__ import annotations

from fruitvision.domain import Estimate, Forecast, ThingKind
from fruitvision.errors import ForecastError, did_you_mean
from fruitvision.harvest.tickets import PassKey
from fruitvision.harvest.update import HarvestUpdate
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.pick_plans import kept_plans
from fruitvision.store import Store


def season_of(forecast: Forecast) -> int:
    """The year of the first pick of a forecast."""
    return min(one.plan.picks[0].pick_date for one in forecast.inputs).year


def finished_passes(store: Store, season: int) -> frozenset[PassKey]:
    """Passes of a season of which a person said that they are finished; the latest word counts."""
    said: dict[PassKey, bool] = {}
    for change in store.changes(kind=ThingKind.PASS):
        told = change.after or {}
        if told.get("season") == season:
            said.setdefault((str(told["block"]), int(str(told["pass"]))), bool(told["finished"]))
    return frozenset(key for key, finished in said.items() if finished)


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
    season = season_of(forecast)
    if (key in finished_passes(store, season)) == finished:
        return
    fields = {"block": block_id, "pass": number, "season": season}
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

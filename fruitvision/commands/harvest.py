"""What `fruitvision harvest` can be asked for beside the calendar: passes moved, tickets, finished
passes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from shlex import quote

import typer

from fruitvision.console import say
from fruitvision.domain import Forecast, PickPlan
from fruitvision.errors import ForecastError
from fruitvision.harvest.moves import moved_plans, parse_move
from fruitvision.harvest.tickets import PassKey
from fruitvision.harvest.update import HarvestUpdate
from fruitvision.pipeline.harvest_plan import (
    HarvestNow,
    harvest_now,
    margins_now,
    read_harvest,
)
from fruitvision.pipeline.pick_plans import check_moved, keep_plans
from fruitvision.pipeline.picked import log_update, mark_pass
from fruitvision.report import margin_lines, update_lines
from fruitvision.report.harvest_update import finished_line, moved_lines
from fruitvision.settings import Settings
from fruitvision.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedHarvest:
    """What was asked for.

    `moves`, `done`, `not_done` as they were typed. `keep` : what the moves ask for becomes the pick
    plan. `tickets` : say what is picked, and write what is still to come into the log. `margins` :
    say which passes may not pay.
    `as_forecast` : the whole harvest on the forecast's dates. `who` says it all. `farm` : its
    folder, as it was typed.
    """

    moves: Sequence[str] = ()
    keep: bool = False
    tickets: bool = False
    margins: bool = False
    done: Sequence[str] = ()
    not_done: Sequence[str] = ()
    as_forecast: bool = False
    who: str = ""
    farm: str = ""


def asked_harvest(
    store: Store, forecast: Forecast, settings: Settings, asked: AskedHarvest
) -> HarvestNow:
    """Do what was asked for, say it, and give the calendar.

    Raises
    ------
    ForecastError
        If a move or a pass can't be read or meant.
    ConflictError
        If somebody else changed the same passes meanwhile.
    """
    for texts, finished in ((asked.done, True), (asked.not_done, False)):
        for text in texts:
            mark_pass(_pass_key(text), forecast, store, finished=finished, who=asked.who)
    record = read_harvest(store, forecast)
    tried = moved_plans(record.plans, [parse_move(text) for text in asked.moves])
    check_moved(tried, forecast)
    if asked.keep and tried:
        keep_plans(tried, record.plans, store, forecast, who=asked.who)
    if asked.as_forecast:
        plans: Mapping[str, PickPlan] = {}
        record = replace(record, plans=plans, tickets=(), finished=frozenset())
    record = replace(record, plans={**record.plans, **tried})
    found = harvest_now(forecast, record, settings)
    say(_marked_lines(found.update, asked))
    if tried:
        typer.echo(_moved_words(tried, kept=asked.keep))
    _say_picked(found.update, store, asked)
    if asked.margins:
        say([*margin_lines(margins_now(forecast, record, settings), settings.currency), ""])
    return found


def _say_picked(update: HarvestUpdate | None, store: Store, asked: AskedHarvest) -> None:
    """What is picked, if that was asked for; what it moved in any case."""
    if update is None:
        if asked.tickets:
            typer.echo("There are no bin tickets of this season yet.")
    elif not asked.tickets:
        say(moved_lines(update))
    else:
        say(update_lines(update))
        written = log_update(update, store, who=asked.who)
        typer.echo(f"Written into the log: {written} {'line' if written == 1 else 'lines'}.\n")


def _marked_lines(update: HarvestUpdate | None, asked: AskedHarvest) -> list[str]:
    """Passes that were marked just now, with what came in of each where that is known."""
    passes = {} if update is None else {(one.block_id, one.number): one for one in update.passes}
    lines = []
    for texts, finished in ((asked.done, True), (asked.not_done, False)):
        for text in texts:
            block_id, number = _pass_key(text)
            one = passes.get((block_id, number))
            if one is None:
                words = "Finished" if finished else "Open again"
                lines.append(f"{words}: {block_id} pass {number}.")
                continue
            named = quote(f"{block_id}:{number}")
            undo = f"fruitvision harvest --farm {quote(asked.farm)} --not-done {named}"
            lines.append(finished_line(one, finished=finished, undo=undo))
    return [*lines, ""] if lines else []


def _pass_key(text: str) -> PassKey:
    block_id, _, number = text.rpartition(":")
    if not block_id.strip() or not number.strip().isdecimal():
        raise ForecastError(
            f"The pass '{text}' can't be read.", fix="Write block:pass, such as Gala North:1."
        )
    return block_id.strip(), int(number)


def _moved_words(plans: Mapping[str, PickPlan], *, kept: bool) -> str:
    passes = "; ".join(
        f"{name} on {', '.join(f'{p.pick_date} ({100 * p.share:.0f} %)' for p in plan.picks)}"
        for name, plan in plans.items()
    )
    done = "Kept as the pick plan" if kept else "A try-out, nothing is kept (--keep keeps it)"
    return f"{done}: {passes}.\n"

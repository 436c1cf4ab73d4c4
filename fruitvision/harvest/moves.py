"""Another day or another share for a pass, as a person asks for it: `Gala North:1=+3`."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from fruitvision.domain import Pick, PickPlan
from fruitvision.errors import ForecastError, did_you_mean

_DAYS = re.compile(r"[+-]\d{1,3}")
_SHARE = re.compile(r"(\d{1,3}(?:[.,]\d+)?) ?%")


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """What is to change of one pass, numbered from 1: its day (by so many days, or to a day), or
    the share of the block's fruit that it takes (0 to 1)."""

    block_id: str
    number: int
    days: int = 0
    on: date | None = None
    share: float | None = None


def parse_move(text: str) -> Move:
    """A move as it is typed: block, number of the pass, and days, a date or a share.

    Raises
    ------
    ForecastError
        If it can't be read.
    """
    where, _, what = text.rpartition("=")
    block_id, _, number = where.rpartition(":")
    block_id, number, what = block_id.strip(), number.strip(), what.strip()
    if not block_id or not number.isdecimal() or int(number) < 1:
        raise _unreadable(text)
    move = Move(block_id=block_id, number=int(number))
    if _DAYS.fullmatch(what):
        return replace(move, days=int(what))
    if found := _SHARE.fullmatch(what):
        return replace(move, share=float(found[1].replace(",", ".")) / 100)
    try:
        return replace(move, on=date.fromisoformat(what))
    except ValueError:
        raise _unreadable(text) from None


def _unreadable(text: str) -> ForecastError:
    return ForecastError(
        f"The move '{text}' can't be read.",
        fix="Write block:pass=days, such as Gala North:1=+3, a date, or a share such as 40%.",
    )


def moved_plans(plans: Mapping[str, PickPlan], moves: Sequence[Move]) -> Mapping[str, PickPlan]:
    """The plans of the blocks that are moved, as they shall be; not checked for sense.

    The other passes of a block share what is left by those whose share is given, in the ratio that
    they have.

    Raises
    ------
    ForecastError
        If there is no such block or pass.
    """
    by_block: dict[str, list[Move]] = {}
    for move in moves:
        if move.block_id not in plans:
            raise ForecastError(
                f"The forecast has no block '{move.block_id}'.",
                fix=did_you_mean(move.block_id, plans),
            )
        passes = len(plans[move.block_id].picks)
        if move.number > passes:
            raise ForecastError(
                f"{move.block_id} has no pass {move.number}; its last one is {passes}.",
                fix="Give one of them, or load a pick plan (picks) with more.",
            )
        by_block.setdefault(move.block_id, []).append(move)
    return {name: _moved(plans[name], of_block) for name, of_block in by_block.items()}


def _moved(plan: PickPlan, moves: Sequence[Move]) -> PickPlan:
    picks = list(plan.picks)
    for move in moves:
        pick = picks[move.number - 1]
        day = move.on or pick.pick_date + timedelta(days=move.days)
        picks[move.number - 1] = replace(pick, pick_date=day)
    given = {move.number - 1: move.share for move in moves if move.share is not None}
    return replace(plan, picks=tuple(_shared(picks, given) if given else picks))


def _shared(picks: Sequence[Pick], given: Mapping[int, float]) -> list[Pick]:
    """Passes with the shares that are given; the rest is parted among the others."""
    others = [pick.share for index, pick in enumerate(picks) if index not in given]
    left = max(0.0, 1 - sum(given.values()))
    whole = sum(others)
    return [
        replace(pick, share=given[index])
        if index in given
        else replace(pick, share=left * (pick.share / whole if whole else 1 / len(others)))
        for index, pick in enumerate(picks)
    ]

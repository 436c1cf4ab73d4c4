"""How far a pick is ahead, in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from fruitvision.domain import BlockInputs, CropForecast
from fruitvision.sheet.record import PickWindow

NOT_KNOWN = "pick date not known"
AFTER_THE_PICK = "after the pick"
PICKED = "picked"


def pick_window(
    blocks: Sequence[CropForecast], inputs: Sequence[BlockInputs], made_on: date
) -> PickWindow | None:
    """First and last planned day of the blocks of a variety; None where no day is planned.

    `inputs` : those of the blocks, for what the days may err by.
    """
    days = sorted(day for block in blocks for day in _days(block))
    if not days:
        return None
    errors = [
        pick.date_error_days
        for one in inputs
        for pick in one.plan.picks
        if pick.pick_date == days[0]
    ]
    return PickWindow(
        first=days[0],
        last=days[-1],
        error_days=max(errors, default=0.0),
        days_ahead=(days[0] - made_on).days,
    )


def _days(block: CropForecast) -> tuple[date, ...]:
    if block.picks:
        return tuple(pick.pick_date for pick in block.picks)
    return () if block.pick_date is None else (block.pick_date,)


def stage_words(pick: PickWindow | None, made_on: date) -> str:
    """`41 days before the pick`, `in the pick, 6 days before its last day`, `after the pick`."""
    if pick is None:
        return NOT_KNOWN
    to_first, to_last = (pick.first - made_on).days, (pick.last - made_on).days
    if to_first > 0:
        return f"{_days_words(to_first)} before the pick"
    if to_last > 0:
        return f"in the pick, {_days_words(to_last)} before its last day"
    return "on the last day of the pick" if to_last == 0 else AFTER_THE_PICK


def _days_words(days: int) -> str:
    return f"{days} day{'' if days == 1 else 's'}"

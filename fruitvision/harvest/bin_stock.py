"""Empty bins: how many go to which block and when, and the most that stand out there at once.

A bin is out from the day that it is put into the lane (`bins_ahead_days` working days before the
pick) to the day that it is taken away full (`bins_waiting_days` days after the pick); then it is in
store, and no longer counted here. So are bins that are emptied and come back: a farm whose packing
house does not give them back within the harvest needs one for every bin that comes in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil

import numpy as np

from fruitvision.domain import Estimate
from fruitvision.forecast.summary import estimate_of
from fruitvision.forecast.words import quantile_of_use
from fruitvision.harvest.need import Array, Planning
from fruitvision.harvest.passes import working_days_before


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BinsOfDay:
    """Bins of one pass that are picked on one day, drawn many times: (draws,)."""

    block_id: str
    variety: str
    number: int
    day: date
    bins: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class BinPlace:
    """Empty bins to put into a block for one day of a pass; whole ones at the farm's quantile."""

    block_id: str
    variety: str
    number: int
    place_on: date
    day: date
    bins: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BinsOut:
    """Bins in the orchard on one day: empty or being filled in the lanes, full and waiting."""

    day: date
    in_lanes: Estimate
    waiting: Estimate
    out: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class BinStock:
    """Where bins go, how many are out each day, and the peak of a draw, whichever day it is on.

    `to_have` is that peak at the farm's quantile for bins. `ahead_days` and `waiting_days` are what
    is assumed.
    """

    places: tuple[BinPlace, ...]
    days: tuple[BinsOut, ...]
    peak: Estimate
    peak_day: date
    to_have: float
    ahead_days: int
    waiting_days: int


def bin_stock(
    parts: Sequence[BinsOfDay], plan: Planning, *, ahead_days: int, waiting_days: int
) -> BinStock | None:
    """Bins to place and bins out, day by day; None where nothing is picked."""
    if not parts:
        return None
    placed = [(working_days_before(one.day, ahead_days), one) for one in parts]
    first = min(day for day, _ in placed)
    last = max(one.day for one in parts) + timedelta(days=waiting_days)
    outs: list[BinsOut] = []
    peak = np.zeros_like(parts[0].bins)
    for number in range((last - first).days + 1):
        day = first + timedelta(days=number)
        lanes = _sum([one.bins for on, one in placed if on <= day <= one.day], peak)
        waiting = _sum(
            [one.bins for one in parts if 0 < (day - one.day).days <= waiting_days], peak
        )
        out = lanes + waiting
        peak = np.maximum(peak, out)
        if out.any():
            outs.append(_bins_out(day, lanes, waiting, out))
    if not outs:
        return None
    most = estimate_of(peak)
    return BinStock(
        places=tuple(
            BinPlace(
                block_id=one.block_id,
                variety=one.variety,
                number=one.number,
                place_on=on,
                day=one.day,
                bins=ceil(quantile_of_use(estimate_of(one.bins), "bins", plan.uses)),
            )
            for on, one in sorted(placed, key=lambda pair: (pair[0], pair[1].day))
        ),
        days=tuple(outs),
        peak=most,
        peak_day=max(outs, key=lambda one: one.out.p50).day,
        to_have=quantile_of_use(most, "bins", plan.uses),
        ahead_days=ahead_days,
        waiting_days=waiting_days,
    )


def _sum(parts: Sequence[Array], like: Array) -> Array:
    return np.sum(parts, axis=0) if parts else np.zeros_like(like)


def _bins_out(day: date, lanes: Array, waiting: Array, out: Array) -> BinsOut:
    return BinsOut(
        day=day,
        in_lanes=estimate_of(lanes),
        waiting=estimate_of(waiting),
        out=estimate_of(out),
    )

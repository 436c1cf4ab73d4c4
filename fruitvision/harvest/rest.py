"""What is picked, and what is still to come: the forecast of the rest, by bin tickets.

What is picked is known; only the rest is uncertain. Every finished pass with tickets was seen: its
bins, with the error of how full bins are (`bin_fill_error`). What it tells of the rest is worked
out on the forecast's own draws (`condition.py`), on a log scale. They hold what errs together:
fruit on the trees of one block for all its passes, hidden fruit of a pooled group, growth, mass,
scale and drop of several blocks. So a low first pass lowers the rest of its block most, that of
its like less, and others by no more than they share.

Two more errors come in, since a low first pass is no low crop in full. What part of its block's
crop a pass takes is not known either: shares err by `pass_share_error`, and what one pass leaves is
there for the next. Half of that (its variance) is common to the variety, pass by pass, since colour
comes early or late for all of it: our choice. So the bins of passes are a little less certain here
than in the calendar before the harvest; those of a whole block are not.

A pass under way has its bins, and what the forecast expects beyond them; it teaches nothing before
it is finished.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from fruitvision.forecast.shared import named_normal
from fruitvision.harvest.condition import condition, steps_away, told_by
from fruitvision.harvest.need import Array
from fruitvision.harvest.passes import REST_DAY, DrawnHarvest, DrawnPass
from fruitvision.harvest.tickets import PassKey, PassState, SortedTickets
from fruitvision.settings import Settings

# Part of the variance of a pass's share that is common to its variety. Our choice, see above.
SHARE_TOGETHER = 0.5
# Smallest number of bins whose logarithm is taken.
FEWEST_BINS = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A block whose tickets moved a rest, and by how much (-0.1 is a tenth less)."""

    block_id: str
    effect: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RestDraws:
    """The passes with what is still to come of each, and the same before any ticket taught it."""

    passes: tuple[DrawnPass, ...]
    planned: tuple[Array, ...]
    before: tuple[Array, ...]
    rest: tuple[Array, ...]
    steps: tuple[float | None, ...]
    causes: tuple[tuple[Cause, ...], ...]
    tickets: SortedTickets

    def to_come(self) -> tuple[DrawnPass, ...]:
        """Passes that are not finished, with their rest on the days that are left."""
        return tuple(
            replace(
                one,
                days=_days_left(one, self.tickets.as_of),
                draws=one.draws.part(rest / np.maximum(one.draws.bins, FEWEST_BINS)),
            )
            for one, rest in zip(self.passes, self.rest, strict=True)
            if self.tickets.states[one.key] is not PassState.FINISHED
        )


def rest_draws(harvest: DrawnHarvest, tickets: SortedTickets, settings: Settings) -> RestDraws:
    """What is still to come of every pass, drawn many times."""
    passes = harvest.passes
    planned = _with_share_errors(harvest, settings)
    before = [_rest(one, bins, tickets) for one, bins in zip(passes, planned, strict=True)]
    seen = [
        column
        for column, one in enumerate(passes)
        if tickets.states[one.key] is PassState.FINISHED and tickets.bins.get(one.key, 0) > 0
    ]
    steps: list[float | None] = [None] * len(passes)
    causes: list[tuple[Cause, ...]] = [()] * len(passes)
    after = planned
    if seen:
        logs = np.log(np.maximum(np.stack(planned, axis=1), FEWEST_BINS))
        values = np.log([tickets.bins[passes[column].key] for column in seen])
        errors = np.full(len(seen), settings.bin_fill_error)
        noise = _noise([passes[column].key for column in seen], harvest)
        updated = np.exp(condition(logs, seen, values, errors, noise))
        after = list(updated.T)
        for column, away in zip(seen, steps_away(logs, seen, values, errors), strict=True):
            steps[column] = float(away)
        causes = _causes(passes, before, logs, seen, values, errors)
    return RestDraws(
        passes=passes,
        planned=tuple(planned),
        before=tuple(before),
        rest=tuple(_rest(one, bins, tickets) for one, bins in zip(passes, after, strict=True)),
        steps=tuple(steps),
        causes=tuple(causes),
        tickets=tickets,
    )


# ---------------------------------------------------------------- drawn


def _with_share_errors(harvest: DrawnHarvest, settings: Settings) -> list[Array]:
    """Bins of every pass, in which the shares of a block's passes err and its sum stays."""
    drawn = harvest.made_with.settings
    weights = []
    for one in harvest.passes:
        number = str(one.number)
        common = named_normal(drawn, "pass share of", one.variety, number)
        own = named_normal(drawn, "pass share", one.block_id, number)
        normal = SHARE_TOGETHER**0.5 * common + (1 - SHARE_TOGETHER) ** 0.5 * own
        weights.append(one.draws.bins * np.exp(settings.pass_share_error * normal))
    whole: dict[str, Array | float] = defaultdict(float)
    weighed: dict[str, Array | float] = defaultdict(float)
    for one, weight in zip(harvest.passes, weights, strict=True):
        whole[one.block_id] = whole[one.block_id] + one.draws.bins
        weighed[one.block_id] = weighed[one.block_id] + weight
    return [
        np.asarray(weight * whole[one.block_id] / np.maximum(weighed[one.block_id], FEWEST_BINS))
        for one, weight in zip(harvest.passes, weights, strict=True)
    ]


def _rest(one: DrawnPass, bins: Array, tickets: SortedTickets) -> Array:
    """What is still to come of a pass that brings so many bins in all."""
    if tickets.states[one.key] is PassState.FINISHED:
        return np.zeros_like(bins)
    return np.maximum(bins - tickets.bins.get(one.key, 0.0), 0.0)


def _noise(keys: Sequence[PassKey], harvest: DrawnHarvest) -> Array:
    drawn = harvest.made_with.settings
    return np.stack(
        [named_normal(drawn, "bin fill", block, str(number)) for block, number in keys], axis=1
    )


def _causes(
    passes: Sequence[DrawnPass],
    before: Sequence[Array],
    logs: Array,
    seen: list[int],
    values: Array,
    errors: Array,
) -> list[tuple[Cause, ...]]:
    """For every pass, what each block's tickets move the rest of its block by."""
    rests: dict[str, Array] = {}
    for one, bins in zip(passes, before, strict=True):
        rests[one.block_id] = rests.get(one.block_id, 0.0) + bins
    found: dict[str, tuple[Cause, ...]] = {}
    for name, bins in rests.items():
        if float(np.median(bins)) <= FEWEST_BINS:
            found[name] = ()
            continue
        told = told_by(np.log(np.maximum(bins, FEWEST_BINS)), logs, seen, values, errors)
        by_block: dict[str, float] = defaultdict(float)
        for column, effect in zip(seen, told, strict=True):
            by_block[passes[column].block_id] += float(effect)
        causes = [Cause(block_id=block, effect=float(np.expm1(e))) for block, e in by_block.items()]
        found[name] = tuple(sorted(causes, key=lambda cause: -abs(cause.effect)))
    return [found[one.block_id] for one in passes]


def _days_left(one: DrawnPass, as_of: date | None) -> tuple[tuple[date, float], ...]:
    """The days of a pass after a day, their shares adding up to 1; the next working day if none."""
    if as_of is None:
        return one.days
    left = [(day, share) for day, share in one.days if day > as_of]
    if not left:
        return ((_next_working_day(as_of), 1.0),)
    whole = sum(share for _, share in left)
    return tuple((day, share / whole) for day, share in left)


def _next_working_day(day: date) -> date:
    day += timedelta(days=1)
    return day + timedelta(days=1) if day.weekday() == REST_DAY else day

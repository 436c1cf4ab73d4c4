"""What is picked and what is still to come, pass by pass, block by block, for each variety and the
farm.

This is no forecast of record and freezes nothing: cartons, classes and promises stay those of the
forecast until a new one is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from fruitvision.domain import Estimate
from fruitvision.forecast.summary import estimate_of
from fruitvision.harvest.rest import Cause, RestDraws
from fruitvision.harvest.tickets import LeftOutTicket, PassState

# A pass so many standard deviations off what was expected is called out: a ticket may be missing,
# or the pass be called finished too early. Our choice: by chance one pass in eighty is.
SURPRISE_STEPS = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PassProgress:
    """One pass: what was planned, what is picked, and what is still to come of it.

    `inferred` : finished though nobody said so. `steps` : standard deviations between what came in
    and what was expected, of a finished pass with tickets; None of others.
    """

    block_id: str
    variety: str
    number: int
    passes: int
    pick_date: date
    state: PassState
    inferred: bool
    planned: Estimate
    picked_bins: float
    rest: Estimate
    steps: float | None

    @property
    def surprising(self) -> bool:
        """Whether so many or few bins were hardly thought possible."""
        return self.steps is not None and abs(self.steps) > SURPRISE_STEPS


@dataclass(frozen=True, slots=True, kw_only=True)
class RestUpdate:
    """A block, all blocks of a variety, or the farm: picked, and the rest before and after.

    `rest_before` is what the forecast expected of passes that are not finished, before any ticket
    taught it; `rest` is that now. `total` is `picked_bins` and `rest`. `causes` : of a block, the
    largest first.
    """

    name: str
    variety: str
    planned: Estimate
    picked_bins: float
    rest_before: Estimate
    rest: Estimate
    total: Estimate
    causes: tuple[Cause, ...] = ()

    @property
    def moved_bins(self) -> float:
        """What the P50 of the rest moved by."""
        return self.rest.p50 - self.rest_before.p50


@dataclass(frozen=True, slots=True, kw_only=True)
class HarvestUpdate:
    """The harvest so far and its rest. P10, P50 and P90 of blocks do not add up to the farm's."""

    forecast_id: str
    farm: str
    as_of: date | None
    passes: tuple[PassProgress, ...]
    blocks: tuple[RestUpdate, ...]
    varieties: tuple[RestUpdate, ...]
    total: RestUpdate
    left_out: tuple[LeftOutTicket, ...]
    other_seasons: int


def harvest_update(rest: RestDraws, *, forecast_id: str, farm: str) -> HarvestUpdate:
    """Passes, blocks, varieties and the farm, of the same draws."""
    names = {one.block_id: one.variety for one in rest.passes}
    return HarvestUpdate(
        forecast_id=forecast_id,
        farm=farm,
        as_of=rest.tickets.as_of,
        passes=tuple(_progress(rest, column) for column in range(len(rest.passes))),
        blocks=tuple(
            _summed(rest, name, variety, _columns(rest, block_id=name))
            for name, variety in names.items()
        ),
        varieties=tuple(
            _summed(rest, variety, variety, _columns(rest, variety=variety))
            for variety in dict.fromkeys(names.values())
        ),
        total=_summed(rest, "farm", "", range(len(rest.passes))),
        left_out=rest.tickets.left_out,
        other_seasons=rest.tickets.other_seasons,
    )


# ---------------------------------------------------------------- summed up


def _columns(rest: RestDraws, *, block_id: str = "", variety: str = "") -> list[int]:
    return [
        column
        for column, one in enumerate(rest.passes)
        if one.block_id == block_id or (variety and one.variety == variety)
    ]


def _progress(rest: RestDraws, column: int) -> PassProgress:
    one, tickets = rest.passes[column], rest.tickets
    return PassProgress(
        block_id=one.block_id,
        variety=one.variety,
        number=one.number,
        passes=one.passes,
        pick_date=one.pick_date,
        state=tickets.states[one.key],
        inferred=one.key in tickets.inferred,
        planned=estimate_of(rest.planned[column]),
        picked_bins=tickets.bins.get(one.key, 0.0),
        rest=estimate_of(rest.rest[column]),
        steps=rest.steps[column],
    )


def _summed(rest: RestDraws, name: str, variety: str, columns: Sequence[int]) -> RestUpdate:
    picked = sum(rest.tickets.bins.get(rest.passes[column].key, 0.0) for column in columns)
    now = np.sum([rest.rest[column] for column in columns], axis=0)
    blocks = {rest.passes[column].block_id for column in columns}
    return RestUpdate(
        name=name,
        variety=variety,
        planned=estimate_of(np.sum([rest.planned[column] for column in columns], axis=0)),
        picked_bins=picked,
        rest_before=estimate_of(np.sum([rest.before[column] for column in columns], axis=0)),
        rest=estimate_of(now),
        total=estimate_of(picked + now),
        causes=rest.causes[columns[0]] if len(blocks) == 1 else (),
    )

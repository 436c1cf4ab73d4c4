"""What follows from past seasons: a proposal for each block, which nobody need take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import expm1

from fruitvision.domain import (
    Block,
    BlockInputs,
    Learned,
    LearnedChoice,
    LearnedNumber,
    Stage,
)
from fruitvision.learning.layers import Comparison, Layer
from fruitvision.learning.pick_season import (
    BlockSeason,
    block_seasons,
    next_harvest_from,
    season_on,
)
from fruitvision.learning.shrinkage import (
    COUNT_SPREADS,
    CULL_SPREADS,
    SIZE_SPREADS,
    Observation,
    Target,
    learn,
)
from fruitvision.learning.stages import nearest_first

# Seasons back that are learned from. Our choice: trees grow, lines are rebuilt.
SEASONS_BACK = 6
# The assumed culls may be others than those that a correction was learned against by so much.
CULLS_MAY_DIFFER = 0.01
# A correction of the number of fruit by more than this is not offered. Our choice: a third is three
# times what a farm's forecasts usually err by; beyond it a wrong ticket is likelier.
BELIEVABLE = 1 / 3
# Results that are named for a correction that is not offered. Our choice: a line.
_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What a block's forecasts would be corrected by, at every stage.

    Attributes
    ----------
    results : int
        Seasons of the block itself.
    left_out : tuple of str
        Its seasons that were left out, with the reason: `2026: hail`.
    far_off : tuple of str
        What it rests on that is not believable, the worst first: `Hill 2026`.
    choice : LearnedChoice or None
        What somebody said last of this block.
    """

    block_id: str
    variety: str
    by_stage: tuple[Learned, ...]
    seasons: int
    results: int
    left_out: tuple[str, ...] = ()
    far_off: tuple[str, ...] = ()
    choice: LearnedChoice | None = None

    @property
    def believable(self) -> bool:
        """Whether it is offered: no stage is corrected by more than `BELIEVABLE`."""
        return all(_believable(one.count.value) for one in self.by_stage)

    def of(self, stage: Stage) -> Learned:
        """The correction of a stage."""
        return next(one for one in self.by_stage if one.stage is stage)


def proposals(
    found: Sequence[Comparison],
    blocks: Sequence[Block],
    *,
    cull_base: Mapping[str, float],
) -> tuple[Proposal, ...]:
    """One for each block, from the seasons that nobody left out; none before the first season.

    Parameters
    ----------
    found : sequence of Comparison
        All that were held against their seasons.
    cull_base : mapping
        Share of culls that each block's forecasts assume now: what is learned of culls is told
        against it, whatever was assumed then.
    """
    latest = max((one.season for one in found), default=0)
    used = [one for one in found if not one.left_out and one.season > latest - SEASONS_BACK]
    if not used:
        return ()
    harvests = block_seasons((), [one.first_pick for one in used])
    targets = [Target(one.block_id, one.variety, stage) for one in blocks for stage in Stage]
    counts = learn(_observed(used, harvests, "count"), targets, COUNT_SPREADS)
    sizes = learn(_observed(used, harvests, "size_mm"), targets, SIZE_SPREADS)
    culls = learn(_culls(used, harvests, cull_base), targets, CULL_SPREADS)
    learned: dict[str, list[Learned]] = {}
    for target, count, size, cull in zip(targets, counts, sizes, culls, strict=True):
        learned.setdefault(target.block_id, []).append(
            Learned(
                stage=target.stage,
                count=count,
                size_mm=size,
                cull=cull,
                cull_base=cull_base.get(target.block_id, 0.0),
                seasons=len(harvests),
                results=_seasons_of(used, target.block_id),
                latest_season=max(one.season for one in used),
                latest_pick=max(one.first_pick for one in used),
            )
        )
    return tuple(
        Proposal(
            block_id=block.block_id,
            variety=block.variety,
            by_stage=tuple(learned[block.block_id]),
            seasons=len(harvests),
            results=_seasons_of(used, block.block_id),
            left_out=_left_out(found, block.block_id),
            far_off=_far_off(used, block),
        )
        for block in blocks
    )


def with_choices(
    found: Sequence[Proposal], choices: Sequence[LearnedChoice]
) -> tuple[Proposal, ...]:
    """Proposals with the latest word on each; `choices` with the oldest first."""
    now = latest_choices(choices)
    return tuple(replace(one, choice=now.get(one.block_id)) for one in found)


def latest_choices(choices: Sequence[LearnedChoice]) -> dict[str, LearnedChoice]:
    """The latest word on each block."""
    return {one.block_id: one for one in choices}


# ---------------------------------------------------------------- what is used


def before_pick(words: Sequence[LearnedChoice], first_pick: date) -> LearnedChoice | None:
    """The latest word on a block that was learned before the harvest of a pick: what a season
    taught corrects later ones only. None where the latest word is to use nothing.

    Parameters
    ----------
    words : sequence of LearnedChoice
        On one block, the oldest first.
    first_pick : date
        The first day of the pick that is forecast.
    """
    for choice in reversed(words):
        if not choice.accepted:
            return None
        if all(taught_before(one, first_pick, said_in=choice.at.year) for one in choice.by_stage):
            return choice
    return None


def taught_before(learned: Learned, first_pick: date, *, said_in: int) -> bool:
    """Whether a correction rests on harvests before that of a pick only.

    Parameters
    ----------
    said_in : int
        The year that stands for its last season where that was not kept.
    """
    if learned.latest_pick is not None:
        return first_pick >= next_harvest_from(learned.latest_pick)
    return (learned.latest_season or said_in) < first_pick.year


def accepted_for(choice: LearnedChoice | None, stage: Stage) -> Learned | None:
    """What was accepted for a block's forecast of a stage; that of the nearest stage where there is
    none of its own; None where nothing was accepted."""
    if choice is None or not choice.accepted:
        return None
    by_stage = {one.stage: one for one in choice.by_stage}
    nearest = next((by_stage[one] for one in nearest_first(stage) if one in by_stage), None)
    return None if nearest is None else replace(nearest, who=choice.who)


def with_learned(inputs: BlockInputs, learned: Learned | None, *, cull_share: float) -> BlockInputs:
    """Inputs corrected by what was accepted.

    What was learned of culls belongs to what was assumed of them: where others are assumed now (a
    new table of culls, say), it is left out, or it would count twice.

    Parameters
    ----------
    cull_share : float
        Mean share of culls that these inputs assume.
    """
    if learned is None:
        return inputs
    if abs(cull_share - learned.cull_base) > CULLS_MAY_DIFFER:
        learned = replace(learned, cull=LearnedNumber(), cull_base=cull_share)
    return replace(inputs, learned=learned)


# ---------------------------------------------------------------- what was seen


def _observed(
    found: Sequence[Comparison], harvests: Sequence[BlockSeason], layer: str
) -> list[Observation]:
    observed = []
    for one in found:
        seen: Layer | None = getattr(one, layer)
        if seen is not None:
            observed.append(_observation(one, harvests, seen, seen.value))
    return observed


def _culls(
    found: Sequence[Comparison], harvests: Sequence[BlockSeason], base: Mapping[str, float]
) -> list[Observation]:
    return [
        _observation(one, harvests, one.cull, one.actual_cull - base.get(one.block_id, 0.0))
        for one in found
        if one.cull is not None and one.actual_cull is not None and one.block_id in base
    ]


def _observation(
    one: Comparison, harvests: Sequence[BlockSeason], layer: Layer, value: float
) -> Observation:
    """What blocks of one harvest of the farm share is one season's, also over New Year."""
    return Observation(
        block_id=one.block_id,
        variety=one.variety,
        season=season_on(one.first_pick, harvests).season,
        stage=one.stage,
        value=value,
        result_error=layer.result_error,
        forecast_error=layer.forecast_error,
    )


def _seasons_of(found: Sequence[Comparison], block_id: str) -> int:
    return len({one.season for one in found if one.block_id == block_id})


def _far_off(found: Sequence[Comparison], block: Block) -> tuple[str, ...]:
    """Results that no forecast should miss so far; those of the block itself first."""
    far = [one for one in found if one.count and not _believable(one.count.value)]
    far.sort(key=lambda one: (one.block_id != block.block_id, -abs(_value(one))))
    return tuple(dict.fromkeys(f"{one.block_id} {one.season}" for one in far))[:_NAMED]


def _value(one: Comparison) -> float:
    return 0.0 if one.count is None else one.count.value


def _believable(log_factor: float) -> bool:
    return abs(expm1(log_factor)) <= BELIEVABLE


def _left_out(found: Sequence[Comparison], block_id: str) -> tuple[str, ...]:
    return tuple(
        dict.fromkeys(
            f"{one.season}: {one.left_out}"
            for one in found
            if one.block_id == block_id and one.left_out
        )
    )

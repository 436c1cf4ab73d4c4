"""What the packing house tells, held against forecasts; what was learned, accepted or refused."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from typing import TypeVar

from fruitvision.domain import (
    Block,
    BlockInputs,
    Forecast,
    LearnedChoice,
    SizeTable,
    Stage,
    ThingKind,
)
from fruitvision.errors import ForecastError, SizeTableError, did_you_mean
from fruitvision.forecast.drawn_with import drawn_with
from fruitvision.learning.corrections import (
    BELIEVABLE,
    Proposal,
    accepted_for,
    before_pick,
    proposals,
    with_choices,
    with_learned,
)
from fruitvision.learning.expected import ExpectedCrop
from fruitvision.learning.layers import Comparison
from fruitvision.learning.lot_tables import TableOf
from fruitvision.learning.matching import (
    Loose,
    Matched,
    SeasonResult,
    season_results,
    seasons_of,
)
from fruitvision.learning.pick_season import first_picks
from fruitvision.learning.score import Coverage, Score, coverage, score
from fruitvision.learning.seasons import chosen_forecasts, comparisons, last_looks
from fruitvision.learning.stages import stage_of
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.harvested import harvested
from fruitvision.pipeline.kept import kept, key_of
from fruitvision.pipeline.sales import of_record
from fruitvision.pipeline.size_tables import farm_size_table
from fruitvision.settings import Settings
from fruitvision.store import Store

Item = TypeVar("Item")


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmScore:
    """How the farm's forecasts went, and what follows.

    Attributes
    ----------
    found : tuple of Comparison
        Every forecast that was held against its season.
    loose : tuple of Loose
        Tickets, lots and bins that match nothing.
    being_picked : tuple of SeasonResult
        What came in so far of blocks whose harvest is not finished: not judged, not learned from.
    proposals : tuple of Proposal
        Corrections, by block; none before the first season.
    """

    score: Score
    found: tuple[Comparison, ...]
    loose: tuple[Loose, ...]
    being_picked: tuple[SeasonResult, ...]
    proposals: tuple[Proposal, ...]


def farm_score(store: Store) -> FarmScore:
    """All forecasts of record against all that the packing house told."""
    forecasts = of_record(store.forecasts())
    matched = _matched(store, forecasts)
    done = harvested(store, forecasts, matched.results)
    found = _compared(store, forecasts, done)
    being_picked = tuple(one for one in matched.results if one not in done)
    # Bins that are not packed yet are no slip while a block is picked.
    waiting = {f"{one.block_id} {one.season}" for one in being_picked}
    return FarmScore(
        score=score(found),
        found=found,
        loose=tuple(one for one in matched.loose if one.name not in waiting),
        being_picked=being_picked,
        proposals=with_choices(_proposals(store, forecasts, found), store.learned_choices()),
    )


def track_record(
    store: Store, stage: Stage | None = None, variety: str | None = None
) -> Coverage | None:
    """How often earlier results ended inside P10–P90; None where there is no history yet.

    Parameters
    ----------
    stage : Stage, optional
        Forecasts of that stage; the last ones before the pick if left out.
    variety : str, optional
        Of that variety only.
    """
    forecasts = of_record(store.forecasts())
    done = harvested(store, forecasts, _matched(store, forecasts).results)
    found = _compared(store, forecasts, done)
    used = [one for one in found if not one.left_out and variety in (None, one.variety)]
    if stage is None:
        return coverage(last_looks(used))
    return coverage([one for one in used if one.stage is stage])


def seasons_known(store: Store, block_id: str) -> tuple[int, ...]:
    """The seasons of a block that were forecast, brought bins or have a note, the latest first."""
    forecasts = of_record(store.forecasts())
    planned = first_picks(forecasts)
    seasons = seasons_of(store.bin_tickets(), planned).get(block_id, ())
    results = _matched(store, forecasts).results
    found = {
        *(one.season for one in seasons),
        *(one.season for one in results if one.block_id == block_id),
        *(one.season for one in store.season_notes() if one.block_id == block_id),
    }
    return tuple(sorted(found, reverse=True))


def _matched(store: Store, forecasts: Sequence[Forecast]) -> Matched:
    return season_results(
        store.bin_tickets(),
        store.packed_lots(),
        store.season_notes(),
        store.blocks(),
        first_picks(forecasts),
    )


def _compared(
    store: Store, forecasts: Sequence[Forecast], results: Sequence[SeasonResult]
) -> tuple[Comparison, ...]:
    """Every result against one forecast a stage; kept until papers or forecasts are others."""
    frozen = {one.forecast_id for one in store.frozen_forecasts()}

    def table_of(name: str) -> SizeTable | None:
        try:
            return farm_size_table(name, store.folder)
        except SizeTableError:
            return None

    found: list[Comparison] = []
    for result in results:
        of_result = chosen_forecasts(forecasts, frozen, result)
        tables = {piece.size_table: table_of(piece.size_table) for piece in result.pieces}
        key = key_of(
            result, tables, [(one.forecast_id, one.forecast_id in frozen) for one in of_result]
        )
        place = store.folder, f"score of {result.block_id} {result.season}", key
        make = partial(_held, of_result, frozen, result, table_of)
        found += kept(place, _Held, make).found
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Held:
    found: tuple[Comparison, ...]


def _held(
    forecasts: Sequence[Forecast],
    frozen: Collection[str],
    result: SeasonResult,
    table_of: TableOf,
) -> _Held:
    return _Held(found=comparisons(forecasts, frozen, [result], table_of))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Proposed:
    found: tuple[Proposal, ...]


def _proposals(
    store: Store, forecasts: Sequence[Forecast], found: Sequence[Comparison]
) -> tuple[Proposal, ...]:
    """Corrections of all blocks; kept until anything that they rest on is another one."""
    blocks = store.blocks()
    bases = _cull_bases(forecasts, blocks)
    names = [(block.block_id, block.variety) for block in blocks]
    place = store.folder, "learned", key_of(found, names, bases)
    make = partial(proposals, found, blocks, cull_base=bases)
    return kept(place, _Proposed, lambda: _Proposed(found=make())).found


# ---------------------------------------------------------------- what culls are assumed


def _cull_bases(forecasts: Sequence[Forecast], blocks: Sequence[Block]) -> dict[str, float]:
    """Mean share of culls that the latest forecast of each block assumes."""
    bases: dict[str, float] = {}
    for block in blocks:
        for forecast in reversed(forecasts):
            drawn = drawn_with(forecast)
            inputs = [
                one for one in forecast.inputs if one.estimate.block.block_id == block.block_id
            ]
            if drawn is not None and inputs:
                bases[block.block_id] = assumed_culls(inputs[0], drawn.table, drawn.settings)
                break
    return bases


def assumed_culls(inputs: BlockInputs, table: SizeTable, settings: Settings) -> float:
    """Mean share of culls that inputs assume; the flat one where sizes are not known."""
    if inputs.estimate.sizes is None or not inputs.losses.culls_by_class:
        return inputs.losses.cull_share
    return ExpectedCrop(inputs, table, settings).cull_share


# ---------------------------------------------------------------- accepted and used


def learned_inputs(
    inputs: BlockInputs,
    choices: Mapping[str, Sequence[LearnedChoice]],
    table: SizeTable,
    settings: Settings,
    *,
    made_on: date,
) -> BlockInputs:
    """A block's inputs with what was accepted for its forecasts of this stage; as they are where
    nothing was of an earlier season. `choices` : as `choices_now`."""
    first = inputs.plan.picks[0].pick_date
    choice = before_pick(choices.get(inputs.estimate.block.block_id, ()), first)
    learned = accepted_for(choice, stage_of(max((first - made_on).days, 0)))
    if learned is None:
        return inputs
    return with_learned(inputs, learned, cull_share=assumed_culls(inputs, table, settings))


def choices_now(store: Store) -> Mapping[str, Sequence[LearnedChoice]]:
    """What was said of each block, the oldest first."""
    found: dict[str, list[LearnedChoice]] = {}
    for choice in store.learned_choices():
        found.setdefault(choice.block_id, []).append(choice)
    return found


def accept(
    names: Sequence[str], store: Store, *, who: str, note: str = "", at: datetime | None = None
) -> tuple[LearnedChoice, ...]:
    """Use what was learned in the forecasts of later seasons.

    Corrections that are not believable are left out of "all" and of a variety.

    Parameters
    ----------
    names : sequence of str
        Blocks or varieties; "all" for all.
    who : str
        Who accepts it.

    Raises
    ------
    ForecastError
        If nothing was learned yet, a name is of no block or variety, nobody's name is given, or
        the correction of a block is not believable.
    """
    return _choose(names, store, who=who, note=note, at=at, accepted=True)


def refuse(
    names: Sequence[str], store: Store, *, who: str, note: str = "", at: datetime | None = None
) -> tuple[LearnedChoice, ...]:
    """Do not use what was learned; what was accepted before is used no longer. As `accept`."""
    return _choose(names, store, who=who, note=note, at=at, accepted=False)


def _choose(
    names: Sequence[str],
    store: Store,
    *,
    who: str,
    note: str,
    at: datetime | None,
    accepted: bool,
) -> tuple[LearnedChoice, ...]:
    if not who.strip():
        raise ForecastError(
            "A correction is accepted or refused by somebody.", fix="Give the name of who does it."
        )
    found = farm_score(store).proposals
    if not found:
        raise ForecastError(
            "Nothing was learned yet.",
            fix="Load bin tickets and packed lots of a season that was forecast.",
        )
    chosen = _named(names, found)
    if accepted:
        chosen = _believable(chosen, names)
    kept = []
    for proposal in chosen:
        choice = LearnedChoice(
            block_id=proposal.block_id,
            accepted=accepted,
            who=who.strip(),
            at=at or now_utc(),
            by_stage=proposal.by_stage if accepted else (),
            note=note.strip(),
        )
        if _says_the_same(proposal.choice, choice):
            continue
        kept.append(store.save_learned_choice(choice))
        store.note_change(
            ThingKind.LEARNED,
            proposal.block_id,
            None if proposal.choice is None else {"accepted": proposal.choice.accepted},
            {"accepted": accepted},
            who=choice.who,
            at=choice.at,
        )
    return tuple(kept)


def _believable(chosen: Sequence[Proposal], names: Sequence[str]) -> list[Proposal]:
    """Those that may be accepted."""
    left = [one for one in chosen if one.believable]
    beyond = [one for one in chosen if not one.believable]
    if beyond and (not left or any(one.block_id in names for one in beyond)):
        first = beyond[0]
        raise ForecastError(
            f"{first.block_id} would be corrected by more than {BELIEVABLE:.0%}, which is not "
            "believable.",
            fix=f"Check the tickets of {', '.join(first.far_off) or first.block_id}, or leave "
            "that season out with a reason.",
        )
    return left


def _says_the_same(before: LearnedChoice | None, now: LearnedChoice) -> bool:
    return before is not None and (
        (before.accepted, before.by_stage, before.note) == (now.accepted, now.by_stage, now.note)
    )


def _named(names: Sequence[str], found: Sequence[Proposal]) -> list[Proposal]:
    known = {one.block_id: [one] for one in found}
    for one in found:
        known.setdefault(one.variety, []).append(one)
    known.setdefault("all", list(found))
    chosen: dict[str, Proposal] = {}
    for name in names:
        if name not in known:
            raise ForecastError(
                f"There is no block or variety '{name}'.", fix=did_you_mean(name, known)
            )
        chosen |= {one.block_id: one for one in known[name]}
    return list(chosen.values())

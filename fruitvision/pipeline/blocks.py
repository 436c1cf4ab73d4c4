"""Measured walks to block estimates: what each block holds today, and what stands out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from fruitvision.advice import Advice, advise, minutes_of
from fruitvision.attention import attention_list, compare_blocks, compare_rows, compare_strata
from fruitvision.attention_heights import compare_like_heights
from fruitvision.block import Background, estimate_load, with_sizes
from fruitvision.domain import (
    Attention,
    Block,
    BlockEstimate,
    Doubt,
    GrowthRate,
    HiddenFruitFactor,
    MeanSize,
    PickPlan,
    Pollinizers,
    RegisterCheck,
    TreeCount,
    merge_doubts,
)
from fruitvision.errors import FieldDataError, FruitVisionError
from fruitvision.fruit.detector import DEFAULT_DETECTOR, Detector, choose_detector
from fruitvision.hidden import FactorSources, LikeBlock, fit_hidden_fruit
from fruitvision.pipeline.block_growth import SeasonOfBlock, own_rate, rate_of
from fruitvision.pipeline.block_record import BlockRecord, FarmRecord, places_seen, read_farm
from fruitvision.pipeline.kept import in_memory, keep_in_memory, kept, key_of
from fruitvision.pipeline.measured_walks import MeasuredWalk, of_season
from fruitvision.pipeline.photos import Refused, made_with, refused_block
from fruitvision.register import check_register, pollinizers_of, register_notes
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.store.stamps import BlockStamps
from fruitvision.strata import part_trees

# Least standard error of a factor of an earlier season, relative. Our choice: a 90 % range of
# ±30 %, which is common practice for a forecast without hand counts of this season.
EARLIER_SEASON_ERROR = 0.18


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockWalks:
    """A block as of its latest walk: its estimate, its growth, and what its register is worth.

    `register_notes` are sentences on where block, register and spacing disagree.
    """

    estimate: BlockEstimate
    growth: GrowthRate
    trees: tuple[TreeCount, ...]
    check: RegisterCheck
    pollinizers: tuple[Pollinizers, ...]
    register_notes: tuple[str, ...]
    advice: Advice
    record: BlockRecord


Estimated = tuple[tuple[BlockWalks, ...], tuple[Refused, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """All that the estimates of a farm are made of.

    `common` is the key of what each rests on beside the farm's records.
    """

    farm: FarmRecord
    plans: Mapping[str, PickPlan]
    settings: Settings
    detector: Detector
    confirm_factor: bool
    common: str
    folder: Path

    @property
    def key(self) -> str | None:
        """The key of all estimates together; None if a block changed while it was read."""
        stamps = self._stamps(self.farm.blocks)
        plans = sorted(self.plans.items())
        return None if stamps is None else key_of(self.common, stamps, plans)

    def key_alone(self, record: BlockRecord) -> str | None:
        """The key of what rests on the rows of a block alone."""
        stamps = self._stamps([record])
        return None if stamps is None else key_of(self.common, stamps)

    def key_of_estimate(self, record: BlockRecord) -> str | None:
        """The key of what rests on all rows of a block, and on photos and hand counts of its like.

        A block that changed while it was read has no key: what is made of it is not kept.
        """
        stamps = self._stamps(self._like(record))
        if stamps is None:
            return None
        counted = [(name, one.photos, one.hand_counts) for name, one in stamps]
        return key_of(self.common, counted, dict(stamps)[record.block.block_id])

    def key_with_like(self, record: BlockRecord) -> str | None:
        """The key of what rests on all rows of a block and its like, and on its last pick."""
        stamps = self._stamps(self._like(record))
        pick = self.last_pick(record.block)
        return None if stamps is None else key_of(self.common, stamps, pick)

    def last_pick(self, block: Block) -> date | None:
        """The day of the last pass through a block."""
        plan = self.plans.get(block.block_id)
        return plan.picks[-1].pick_date if plan else block.pick_date

    def _like(self, record: BlockRecord) -> list[BlockRecord]:
        """Blocks of one kind, the block itself among them."""
        return [one for one in self.farm.blocks if one.kind == record.kind]

    def _stamps(self, records: Sequence[BlockRecord]) -> list[tuple[str, BlockStamps]] | None:
        names = [one.block.block_id for one in records]
        if not self.farm.stamps.keys() >= set(names):
            return None
        return [(name, self.farm.stamps[name]) for name in names]


@dataclass(frozen=True, slots=True, kw_only=True)
class _OwnGrowth:
    """A block's own growth in the season of its latest walk; None if it was not measured twice."""

    rate: GrowthRate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Walked:
    """A block's latest walk, before the others of the farm are asked for its growth."""

    estimate: BlockEstimate
    season: SeasonOfBlock


def estimate_blocks(
    store: Store,
    settings: Settings,
    *,
    detector_name: str = DEFAULT_DETECTOR,
    confirm_factor: bool = False,
) -> Estimated:
    """Every block of the farm as of its latest walk; a block that can't be estimated is refused.

    Only what changed is worked out anew, see `kept`.

    Parameters
    ----------
    confirm_factor : bool
        Use a hidden-fruit factor of an earlier walk also if another detector measured it.
    """
    detector = choose_detector(detector_name)
    origin = made_with(detector, settings, store.lenses())
    work = _Work(
        farm=read_farm(store, origin, settings),
        plans=store.pick_plans(),
        settings=settings,
        detector=detector,
        confirm_factor=confirm_factor,
        common=key_of(
            origin, settings.sha256, minutes_of(settings), detector.count_error, confirm_factor
        ),
        folder=store.folder,
    )
    key = work.key
    found: Estimated | None = None if key is None else in_memory(store.folder, "farm", key)
    if found is None:
        found = _estimate_all(work)
        if key is not None:
            keep_in_memory(store.folder, "farm", key, found)
    return found


def _estimate_all(work: _Work) -> Estimated:
    walked: dict[str, _Walked] = {}
    refused: list[Refused] = []
    for record in work.farm.blocks:
        name = record.block.block_id
        try:
            walked[name] = _walked(record, work)
        except FruitVisionError as err:
            refused.append(refused_block(name, err))
    seasons = {name: one.season for name, one in walked.items()}
    done = [_kept_block(one, seasons, work) for one in walked.values()]
    return tuple(done), tuple(refused)


def attention_of(walks: Sequence[BlockWalks], settings: Settings) -> tuple[Attention, ...]:
    """What stands out in the farm: blocks and heights from their like, rows and strata from their
    block."""
    found = list(
        compare_blocks(
            [walk.estimate for walk in walks],
            {walk.estimate.block.block_id: walk.growth for walk in walks},
        )
    )
    for walk in walks:
        strata = part_trees(walk.record.block, walk.record.register, walk.trees)
        found += compare_rows(walk.trees)
        found += compare_strata(strata) if len(strata) > 1 else ()
    found += compare_like_heights(
        [(walk.estimate, walk.record.heights) for walk in walks], settings
    )
    return attention_list(found)


def _kept_block(one: _Walked, seasons: Mapping[str, SeasonOfBlock], work: _Work) -> BlockWalks:
    record = one.season.record
    name, key = f"block {record.block.block_id}", work.key_with_like(record)
    found: BlockWalks | None = None if key is None else in_memory(work.folder, name, key)
    if found is None:
        found = _block_walks(one, rate_of(one.season, seasons, work.settings), work.settings)
        if key is not None:
            keep_in_memory(work.folder, name, key, found)
    return found


def _block_walks(one: _Walked, growth: GrowthRate, settings: Settings) -> BlockWalks:
    record, walked_on = one.season.record, one.season.walked_on
    return BlockWalks(
        estimate=one.estimate,
        growth=growth,
        trees=record.standing.trees,
        check=check_register(record.block, record.register, places_seen(record, walked_on)),
        pollinizers=pollinizers_of(record.block, record.register),
        register_notes=register_notes(record.block, record.register),
        advice=advise(one.estimate, settings=settings),
        record=record,
    )


# ---------------------------------------------------------------- one block


def _walked(record: BlockRecord, work: _Work) -> _Walked:
    if not record.walks:
        raise FieldDataError(
            f"{record.block.block_id} has no tree with a complete set of usable photos.",
            fix="Load a walk of at least 8 trees, each photographed from the same faces.",
        )
    name, walk = record.block.block_id, record.standing
    estimate = kept(
        (work.folder, f"estimate of {name}", work.key_of_estimate(record)),
        BlockEstimate,
        lambda: _estimate(record, _background(record, work)),
    )
    own = kept(
        (work.folder, f"growth of {name}", work.key_alone(record)),
        _OwnGrowth,
        lambda: _own_growth(record, estimate),
    )
    return _Walked(
        estimate=estimate,
        season=SeasonOfBlock(
            record=record,
            walked_on=walk.walked_on,
            own=own.rate,
            last_pick=work.last_pick(record.block),
        ),
    )


def _background(record: BlockRecord, work: _Work) -> Background:
    """What is known of a block beside its latest walk."""
    walk = record.standing
    return Background(
        register=record.register,
        visited=places_seen(record, walk.walked_on),
        like_blocks=_like_blocks(record, work.farm.blocks, walk.walked_on),
        earlier=_earlier_factors(record, walk),
        detector=walk.detector,
        confirmed=work.confirm_factor,
        count_error=work.detector.count_error,
    )


def _own_growth(record: BlockRecord, estimate: BlockEstimate) -> _OwnGrowth:
    """The sizes of a walk don't rest on like blocks, so neither does what they grew."""
    walked_on = record.standing.walked_on
    sizes = [*_earlier_sizes(record, walked_on), estimate.sizes]
    known = [one for one in sizes if one is not None]
    return _OwnGrowth(rate=own_rate(record, known, walked_on))


def _estimate(record: BlockRecord, background: Background) -> BlockEstimate:
    walk = record.standing
    load = estimate_load(record.block, walk.trees, record.hand_counts, background)
    estimate = with_sizes(load, record.standing_sizes)
    begun = (Doubt.NEWER_WALK,) if walk.walked_on < record.walks[-1].walked_on else ()
    return replace(estimate, doubts=merge_doubts(estimate.doubts, walk.doubts, begun))


def _earlier_sizes(record: BlockRecord, walked_on: date) -> list[MeanSize | None]:
    """Mean sizes at the earlier walks of the season.

    Raises
    ------
    FieldDataError
        If a tree of such a walk contradicts the register.
    """
    found = []
    for walk, sizes in zip(record.walks, record.sizes, strict=True):
        if walk.walked_on < walked_on and of_season(walk.walked_on, walked_on):
            part_trees(record.block, record.register, walk.trees)
            found.append(sizes.weighted)
    return found


# ---------------------------------------------------------------- hidden fruit


def _like_blocks(
    record: BlockRecord, farm: Sequence[BlockRecord], walked_on: date
) -> tuple[LikeBlock, ...]:
    """Blocks alike, each with its hand-counted walk of this season that is nearest in time."""
    found = []
    for other in farm:
        if other.block.block_id == record.block.block_id or other.kind != record.kind:
            continue
        walks = [one for one in other.counted_walks() if of_season(one.walked_on, walked_on)]
        if walks:
            near = min(walks, key=lambda one: abs((one.walked_on - walked_on).days))
            found.append(
                LikeBlock(
                    block_id=other.block.block_id,
                    trees=near.trees,
                    hand_counts=other.hand_counts,
                    detector=near.detector,
                )
            )
    return tuple(found)


def _earlier_factors(record: BlockRecord, latest: MeasuredWalk) -> tuple[HiddenFruitFactor, ...]:
    """Factors of the block's own earlier walks; those of earlier seasons with a wide error."""
    found = []
    for walk in record.counted_walks():
        if walk is latest:
            continue
        factor, _ = fit_hidden_fruit(
            walk.trees, record.hand_counts, FactorSources(detector=walk.detector)
        )
        if factor is not None:
            found.append(_of_its_season(factor, walk.walked_on, latest.walked_on))
    return tuple(found)


def _of_its_season(
    factor: HiddenFruitFactor, counted_on: date, walked_on: date
) -> HiddenFruitFactor:
    if of_season(counted_on, walked_on):
        return factor
    least = EARLIER_SEASON_ERROR * factor.factor
    return replace(factor, factor_error=max(factor.factor_error, least))

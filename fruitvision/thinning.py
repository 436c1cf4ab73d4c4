"""Whether a block bears too much, what to take off, and what that still brings.

Only if the whole range of fruit per tree lies above the target is anything to be taken off: hand
thinning is dear, and counting a few more trees is cheap. What to spray or when is for the label and
a licensed adviser: nothing here names a material or a rate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from fruitvision.crop_load import fruit_for_trunk, guide_per_cm2
from fruitvision.domain import Block, BlockEstimate, Estimate
from fruitvision.sample_errors import errors_of, with_walk
from fruitvision.settings import Settings
from fruitvision.thinning_effect import (
    Lateness,
    ReturnBloom,
    SizeGain,
    lateness_of,
    per_cm2,
    return_bloom,
    size_gain,
    thinning_hours,
    times,
)

# The fewest more trees that are asked for, and the most. Common practice: 8 trees are a first
# sample; our choice for the most: half a day.
LEAST_MORE, MOST_MORE = 8, 60
# A target that the range clears by less is met: fruit are taken off whole.
LEAST_FRUIT = 1.0
# Days before the last pass from which on fruit too many are left to the pickers. Our choice: in two
# weeks no fruit gains size by it, and whoever thins is in the pickers' way.
LEFT_TO_PICKERS_DAYS = 14
# Days before the last pass from which on nobody thins for size. Our choice: in three weeks a fruit
# gains a few millimetres at most, and what is taken off is lost to the pick.
NEAR_PICK_DAYS = 21


class Verdict(StrEnum):
    """What the load asks for. The value names it in the texts of an interface."""

    TAKE_OFF = "take_off"
    COUNT_MORE = "count_more"
    # So near that no more counting tells it from the target.
    NEAR = "near"
    NOTHING = "nothing"
    # Hidden fruit are not known: only too many can be told.
    COUNT_BY_HAND = "count_by_hand"
    NO_TARGET = "no_target"
    # Too many, or maybe so, and too late to thin for size.
    TOO_LATE = "too_late"
    # Too many, and the pick so near that thinning no longer pays.
    PICK_NEAR = "pick_near"
    PICKED = "picked"


@dataclass(frozen=True, slots=True, kw_only=True)
class MoreTrees:
    """The least work that is expected to decide: places to photograph, and hand counts on them."""

    trees: int
    hand_counts: int
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ThinningCheck:
    """A block's load against its target.

    Attributes
    ----------
    target : float or None
        Fruit per tree; the trunk guide's where the block has none of its own (`by_trunk`).
    load_per_cm2, target_per_cm2
        Fruit per cm² of trunk now and at the target; None where the trunk is not known.
    guide_per_cm2 : float
        What the farm's guide gives the variety.
    take_off : Estimate or None
        Fruit per tree above the target; None unless the whole range is and the verdict is TAKE_OFF
        or TOO_LATE. Where hidden fruit are not known (`visible_only`) it is the least.
    total : Estimate or None
        The same for all bearing trees.
    hours : Estimate or None
        Hours of hand work; None unless the verdict is TAKE_OFF and the block's area known.
    for_packout : bool
        Too late for size after bloom, and the pick far enough that the hand work still helps
        pack-out: small and marked fruit off, clusters singled out.
    days_after_bloom : int or None
        On the day of the check.
    """

    block_id: str
    variety: str
    fruit_per_tree: Estimate
    visible_only: bool
    verdict: Verdict
    target: float | None
    by_trunk: bool
    load_per_cm2: Estimate | None
    target_per_cm2: float | None
    guide_per_cm2: float
    take_off: Estimate | None
    total: Estimate | None
    hours: Estimate | None
    more: MoreTrees | None
    lateness: Lateness
    days_after_bloom: int | None
    size: SizeGain | None
    return_bloom: ReturnBloom | None
    panels: bool = False
    for_packout: bool = False


def check_thinning(
    estimate: BlockEstimate,
    settings: Settings,
    *,
    on: date | None = None,
    last_pick: date | None = None,
    pick_mm: float | None = None,
    size_in_time: bool = False,
    picked: bool = False,
) -> ThinningCheck:
    """A block's load against its target.

    Parameters
    ----------
    on : date
        The day on which somebody would thin; that of the walk if left out. A day before full bloom
        can't be meant and counts as that of the walk.
    last_pick : date
        The day of the last pass: shortly before it fruit too many are left to the pickers, and
        after it there is nothing to take off.
    pick_mm : float
        Mean diameter that is forecast for the pick.
    size_in_time : bool
        Fruit are as large as they are to be by this day, or larger, as the crop hangs: then a block
        of unknown bloom is not thinned for size.
    picked : bool
        Somebody said that the block is picked, whatever the day.
    """
    block = estimate.block
    day = _work_day(block, estimate.walked_on, on)
    target, by_trunk = target_of(block, settings)
    verdict, more = _verdict(estimate, target, settings)
    take_off = _above(estimate, target) if verdict is Verdict.TAKE_OFF and target else None
    lateness, days = lateness_of(block, estimate.walked_on, day)
    days_left = None if last_pick is None else (last_pick - day).days
    verdict = _by_day(verdict, days_left, lateness, size_in_time=size_in_time)
    if picked:
        verdict = Verdict.PICKED
    near = days_left is not None and days_left <= NEAR_PICK_DAYS
    if verdict in (Verdict.PICKED, Verdict.PICK_NEAR):
        take_off = None
    load = per_cm2(estimate.fruit_per_tree, block)
    then = None if target is None or not block.trunk_area_cm2 else target / block.trunk_area_cm2
    return ThinningCheck(
        block_id=block.block_id,
        variety=block.variety,
        fruit_per_tree=estimate.fruit_per_tree,
        visible_only=estimate.factor is None,
        verdict=verdict,
        target=target,
        by_trunk=by_trunk,
        load_per_cm2=load,
        target_per_cm2=then,
        guide_per_cm2=guide_per_cm2(block.variety, settings),
        take_off=take_off,
        total=None if take_off is None else times(take_off, _trees(estimate)),
        hours=thinning_hours(block, settings) if verdict is Verdict.TAKE_OFF else None,
        more=more if verdict is Verdict.COUNT_MORE else None,
        lateness=lateness,
        days_after_bloom=days,
        size=size_gain(load, then, lateness, pick_mm) if verdict is Verdict.TAKE_OFF else None,
        return_bloom=return_bloom(block, load, settings, visible_only=estimate.factor is None),
        panels=estimate.trees_per_place > 1,
        for_packout=verdict is Verdict.TOO_LATE and lateness is Lateness.TOO_LATE and not near,
    )


def _work_day(block: Block, walked_on: date, on: date | None) -> date:
    """The day from which lateness is told. One before the walk stands where bloom was before it."""
    if on is None or on >= walked_on:
        return on or walked_on
    bloom = block.full_bloom_on
    return on if bloom is not None and bloom <= on else walked_on


def _by_day(
    verdict: Verdict, days_left: int | None, lateness: Lateness, *, size_in_time: bool
) -> Verdict:
    """What is left of a verdict so late after bloom and so many days before the last pass.

    Nobody thins for size if it is too late after full bloom; if the last pass is near; or if bloom
    is not known, and the size is in time as the crop hangs.
    """
    if days_left is not None and days_left < 0:
        return Verdict.PICKED
    if verdict not in (Verdict.TAKE_OFF, Verdict.COUNT_MORE):
        return verdict
    if days_left is not None and days_left <= NEAR_PICK_DAYS:
        return Verdict.PICK_NEAR if days_left <= LEFT_TO_PICKERS_DAYS else Verdict.TOO_LATE
    if lateness in (Lateness.NO_BLOOM, Lateness.OTHER_YEAR):
        return Verdict.TOO_LATE if size_in_time else verdict
    return Verdict.TOO_LATE if lateness is Lateness.TOO_LATE else verdict


def target_of(block: Block, settings: Settings) -> tuple[float | None, bool]:
    """Fruit per tree that the block is to bear, and whether that is the trunk guide's."""
    if block.target_fruit_per_tree:
        return block.target_fruit_per_tree, False
    if not block.trunk_area_cm2:
        return None, False
    guide = guide_per_cm2(block.variety, settings)
    return float(fruit_for_trunk(block.trunk_area_cm2, fruit_per_cm2=guide)), True


# ---------------------------------------------------------------- too many or not


def _verdict(
    estimate: BlockEstimate, target: float | None, settings: Settings
) -> tuple[Verdict, MoreTrees | None]:
    now = estimate.fruit_per_tree
    if not target:
        return Verdict.NO_TARGET, None
    if now.p10 > target and now.p90 - target >= LEAST_FRUIT:
        return Verdict.TAKE_OFF, None
    if estimate.factor is None:
        return Verdict.COUNT_BY_HAND, None
    if now.p10 > target:
        return Verdict.NEAR, None
    if now.p90 < target:
        return Verdict.NOTHING, None
    more = trees_to_decide(estimate, target, settings)
    return (Verdict.NEAR, None) if more is None else (Verdict.COUNT_MORE, more)


def trees_to_decide(estimate: BlockEstimate, target: float, settings: Settings) -> MoreTrees | None:
    """The least work after which the range is expected to lie on one side of the target.

    The block's mean is taken to stay; the range narrows as `sample_errors.with_walk` says. Since
    the mean moves too, it decides about every other time (tests/test_thinning.py). 8 trees or more;
    None if not even `MOST_MORE` decide.
    """
    now = estimate.fruit_per_tree
    errors = errors_of(estimate)
    half, stated = errors.half_range_of_load(), max(now.p50 - now.p10, now.p90 - now.p50)
    # What the range is beyond the errors of trees and counts (finite block, few degrees) stays.
    scale = stated / half if half > 0 else 0.0
    wanted = abs(now.p50 - target)
    room = int(errors.population) - errors.trees
    best: MoreTrees | None = None

    def decides(trees: int, counts: int) -> bool:
        then = with_walk(errors, trees=trees, counts=counts)
        return scale * then.half_range_of_load() < wanted

    for trees in range(max(1, min(LEAST_MORE, room)), min(MOST_MORE, room) + 1):
        photos_min = trees * settings.photo_tree_min
        if best is not None and photos_min >= best.minutes:
            break
        if not decides(trees, trees):
            continue
        counts = next(number for number in range(trees + 1) if decides(trees, number))
        minutes = photos_min + counts * settings.hand_count_min
        if best is None or minutes < best.minutes:
            best = MoreTrees(trees=trees, hand_counts=counts, minutes=minutes)
    return best


def _above(estimate: BlockEstimate, target: float) -> Estimate:
    now = estimate.fruit_per_tree
    return Estimate(now.p10 - target, now.p50 - target, now.p90 - target)


def _trees(estimate: BlockEstimate) -> float:
    trees = estimate.bearing_trees
    return float(estimate.block.bearing_trees) if trees is None else trees


# ---------------------------------------------------------------- which block first


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedThinning:
    """A block to thin, and what its surplus fruit are worth at today's sizes and prices.

    `worth` is None where prices or cartons are not known.
    """

    check: ThinningCheck
    fruit: float
    worth: float | None


def ranked(
    checks: Sequence[ThinningCheck], per_fruit: Mapping[str, float] | None = None
) -> tuple[RankedThinning, ...]:
    """Blocks that bear too much, by surplus fruit times what a fruit is worth; else by fruit.

    Parameters
    ----------
    per_fruit : mapping of str to float
        What a picked fruit of a block is worth. A block that is not in it comes last.
    """
    worths = per_fruit or {}
    found = []
    for one in checks:
        if one.verdict is Verdict.TAKE_OFF and one.total is not None:
            value = worths.get(one.block_id)
            found.append(
                RankedThinning(
                    check=one,
                    fruit=one.total.p50,
                    worth=None if value is None else one.total.p50 * value,
                )
            )

    def order(one: RankedThinning) -> tuple[bool, float, str]:
        amount = one.fruit if one.worth is None else one.worth
        return one.worth is None, -amount, one.check.block_id

    return tuple(sorted(found, key=order))

"""Hidden fruit: how many hang on a tree for each one that its photos show.

The factor is the ratio of sums, hand counts to visible fruit, over the trees that have both. It
holds for one way of taking photos, one detector and a few weeks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from fruitvision.domain import (
    Doubt,
    Doubts,
    HandCount,
    HiddenFruitFactor,
    TreeCount,
    TreeId,
    merge_doubts,
)
from fruitvision.hidden_factor import OLD_FACTOR_DAYS, use_factor
from fruitvision.hidden_pairs import (
    ASSUMED_FACTOR_SPREAD,
    FEW_HAND_COUNTS,
    choose_model,
    pair_counts,
    pair_ratio,
    pairs_below,
    suspect_pairs,
)
from fruitvision.hidden_pool import BlockPairs, pairs_of, pool_pairs
from fruitvision.survey import Ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class LikeBlock:
    """Photographed and counted trees of a block that is alike in variety, age and system."""

    block_id: str
    trees: tuple[TreeCount, ...]
    hand_counts: tuple[HandCount, ...]
    detector: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenFit:
    """The factor with its doubts, and the ratio that a two-phase mean needs; None if unknown."""

    factor: HiddenFruitFactor | None
    ratio: Ratio | None
    doubts: Doubts


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorSources:
    """All that may tell hidden fruit beside a block's own hand counts of this walk.

    `detector` is the one that measured the block's photos. `earlier` are factors of earlier walks
    or seasons; with `confirmed` one of another detector is used, and said so. `weights` tells how
    many trees of the block each photographed tree stands for; all alike if empty. `count_error` is
    the detector's: standard deviation of its counts, as a share of them.
    """

    detector: str = ""
    like_blocks: tuple[LikeBlock, ...] = ()
    earlier: tuple[HiddenFruitFactor, ...] = ()
    confirmed: bool = False
    weights: Mapping[TreeId, float] | None = None
    count_error: float = 0.0


def fit_hidden_fruit(
    trees: Sequence[TreeCount],
    hand_counts: Sequence[HandCount],
    sources: FactorSources | None = None,
) -> tuple[HiddenFruitFactor | None, Doubts]:
    """Fruit on the tree per visible fruit: Σ hand count / Σ visible over the hand-counted trees.

    Returns
    -------
    factor : HiddenFruitFactor or None
        None if nothing tells it: then visible fruit only can be given.
    doubts : tuple of Doubt
        Those of the factor, or why there is none.
    """
    fit = fit_hidden(trees, hand_counts, sources or FactorSources())
    return fit.factor, fit.doubts


def fit_hidden(
    trees: Sequence[TreeCount], hand_counts: Sequence[HandCount], sources: FactorSources
) -> HiddenFit:
    """The block's own counts first, moved towards those of like blocks; else an earlier factor.

    Counts of another photo protocol, and like blocks of another protocol or detector, are not used
    and that is said. A count below what one face shows, or far from the others, is used and named.
    """
    pairs, own_doubts = pair_counts(trees, hand_counts)
    own_pairs = pairs_of("", pairs)
    known, vigour_doubts = _vigour(trees)
    own = _own_fit(pairs, own_pairs, sources, known) if sum(own_pairs.visible) > 0 else None
    like, like_doubts = _like_pairs(trees, sources)
    if like and (own is None or own_pairs.tell_a_factor):
        fit = _pooled_fit(trees, own, own_pairs, like)
    else:
        fit = own or _earlier_fit(trees, sources)
    doubts = merge_doubts(fit.doubts, own_doubts, like_doubts, vigour_doubts)
    factor = replace(fit.factor, doubts=doubts) if fit.factor else None
    return HiddenFit(factor=factor, ratio=fit.ratio, doubts=doubts)


# ---------------------------------------------------------------- the block's own counts


def _vigour(trees: Sequence[TreeCount]) -> tuple[bool, Doubts]:
    """Whether every photographed tree's vigour is known; a doubt if only some are."""
    known = sum(tree.vigour is not None for tree in trees)
    return known == len(trees), (Doubt.VIGOUR_INCOMPLETE,) if 0 < known < len(trees) else ()


def _own_fit(
    pairs: Sequence[tuple[TreeCount, HandCount]],
    numbers: BlockPairs,
    sources: FactorSources,
    vigour_known: bool,
) -> HiddenFit:
    visible, counted = numbers.visible, numbers.counted
    given = sources.weights or {}
    weights = [given.get(tree.tree, 1.0) * tree.trees for tree, _ in pairs]
    if sum(w * x for w, x in zip(weights, visible, strict=True)) <= 0:
        weights = [float(tree.trees) for tree, _ in pairs]
    ratio = pair_ratio(visible, counted, weights)
    # A whole tree bears what its fuller face shows, less what the detector may err by (one
    # standard error). Our choice.
    least = [tree.certain_per_tree * (1 - sources.count_error) for tree, _ in pairs]
    suspects = suspect_pairs(visible, counted, least)
    factor = HiddenFruitFactor(
        factor=ratio.ratio,
        factor_error=ratio.error,
        trees=len(pairs),
        protocol=pairs[0][0].protocol,
        counted_on=max(count.counted_on for _, count in pairs),
        detector=sources.detector,
        suspects=tuple(pairs[index][0].tree for index in suspects),
        factor_without_suspects=_without(visible, counted, weights, suspects),
        degrees_of_freedom=ratio.freedom,
        model=choose_model(visible, counted, numbers.vigour if vigour_known else None).model,
    )
    return HiddenFit(
        factor=factor,
        ratio=ratio,
        doubts=merge_doubts(
            (Doubt.HAND_BELOW_VISIBLE,) if pairs_below(least, counted) else (),
            (Doubt.SUSPECT_PAIRS,) if suspects else (),
            (Doubt.FEW_HAND_COUNTS,) if len(pairs) < FEW_HAND_COUNTS else (),
        ),
    )


def _without(
    visible: Sequence[float],
    counted: Sequence[float],
    weights: Sequence[float],
    suspects: Sequence[int],
) -> float | None:
    kept = [index for index in range(len(visible)) if index not in suspects]
    seen = sum(weights[i] * visible[i] for i in kept)
    if not suspects or seen <= 0:
        return None
    return sum(weights[i] * counted[i] for i in kept) / seen


# ---------------------------------------------------------------- like blocks


def _like_pairs(
    trees: Sequence[TreeCount], sources: FactorSources
) -> tuple[tuple[BlockPairs, ...], Doubts]:
    """Like blocks whose pairs are of this protocol, this detector and these weeks."""
    found: list[BlockPairs] = []
    doubts: Doubts = ()
    walked_on = max(tree.walked_on for tree in trees)
    for like in sources.like_blocks:
        if like.detector != sources.detector:
            doubts = merge_doubts(doubts, (Doubt.OTHER_DETECTOR,))
            continue
        pairs, _ = pair_counts(like.trees, like.hand_counts)
        fitting = [pair for pair in pairs if pair[0].protocol == trees[0].protocol]
        if len(fitting) < len(pairs):
            doubts = merge_doubts(doubts, (Doubt.OTHER_PROTOCOL,))
        near = [
            (tree, count)
            for tree, count in fitting
            if abs((count.counted_on - walked_on).days) <= OLD_FACTOR_DAYS
        ]
        block_pairs = pairs_of(like.block_id, near)
        if block_pairs.tell_a_factor:
            found.append(block_pairs)
    return tuple(found), doubts


def _pooled_fit(
    trees: Sequence[TreeCount],
    own: HiddenFit | None,
    own_pairs: BlockPairs,
    like: Sequence[BlockPairs],
) -> HiddenFit:
    """The block's factor moved towards those of like blocks, or theirs where it has none."""
    moved = pool_pairs(own_pairs, like, photographed=[tree.visible_per_tree for tree in trees])
    base = own.factor if own and own.factor else _without_own_counts(trees)
    own_doubts = own.doubts if own else ()
    pairs = sum(len(block.visible) for block in (own_pairs, *like))
    return HiddenFit(
        factor=replace(
            base,
            factor=moved.ratio.ratio,
            factor_error=moved.ratio.error,
            common_error=moved.common_error,
            pooled_blocks=tuple(block.block_id for block in like),
            degrees_of_freedom=moved.ratio.freedom,
            model="ratio",
        ),
        ratio=moved.ratio,
        doubts=merge_doubts(
            tuple(doubt for doubt in own_doubts if doubt is not Doubt.FEW_HAND_COUNTS),
            (Doubt.FEW_HAND_COUNTS,) if pairs < FEW_HAND_COUNTS else (),
            (Doubt.POOLED_FACTOR,) if moved.own_weight < 0.5 else (),
        ),
    )


def _without_own_counts(trees: Sequence[TreeCount]) -> HiddenFruitFactor:
    return HiddenFruitFactor(factor=1.0, factor_error=0.0, trees=0, protocol=trees[0].protocol)


# ---------------------------------------------------------------- factors from earlier


def _earlier_fit(trees: Sequence[TreeCount], sources: FactorSources) -> HiddenFit:
    """The newest earlier factor that may be used; why there is none otherwise."""
    walked_on = max(tree.walked_on for tree in trees)
    refused: Doubts = ()
    newest = sorted(sources.earlier, key=lambda one: one.counted_on or date.min, reverse=True)
    for factor in newest:
        if factor.protocol != trees[0].protocol:
            refused = merge_doubts(refused, (Doubt.OTHER_PROTOCOL,))
        elif factor.detector != sources.detector and not sources.confirmed:
            refused = merge_doubts(refused, (Doubt.OTHER_DETECTOR,))
        else:
            return _reused(factor, trees, sources, walked_on)
    return HiddenFit(factor=None, ratio=None, doubts=merge_doubts(refused, (Doubt.NO_HAND_COUNTS,)))


def _reused(
    factor: HiddenFruitFactor, trees: Sequence[TreeCount], sources: FactorSources, walked_on: date
) -> HiddenFit:
    used = use_factor(
        factor,
        protocol=trees[0].protocol,
        detector=sources.detector,
        walked_on=walked_on,
        confirmed=True,
        count_error=sources.count_error,
    )
    visible = float(np.mean([tree.visible_per_tree for tree in trees]))
    scatter = max(
        ASSUMED_FACTOR_SPREAD, factor.factor_error / factor.factor * max(factor.trees, 1) ** 0.5
    )
    ratio = Ratio(
        ratio=used.factor,
        error=used.factor_error,
        residual_sd=scatter * used.factor * visible,
        pairs=0,
        degrees_of_freedom=used.degrees_of_freedom,
    )
    return HiddenFit(factor=used, ratio=ratio, doubts=used.doubts)

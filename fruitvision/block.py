"""Sampled trees stand for the block: fruit per tree and in all, by stratum, with every doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fruitvision.domain import (
    Block,
    BlockEstimate,
    CaliperCheck,
    CaliperReading,
    Doubt,
    Doubts,
    HandCount,
    HiddenFruitFactor,
    RegisterCheck,
    RegisteredTree,
    SizeDistribution,
    StratumEstimate,
    TreeCount,
    TreeId,
    TreeSample,
    VisitedPlace,
    merge_doubts,
)
from fruitvision.errors import FieldDataError
from fruitvision.hidden import FactorSources, HiddenFit, LikeBlock, fit_hidden
from fruitvision.hidden_pairs import pair_counts
from fruitvision.hidden_pool import BlockPairs, pairs_of
from fruitvision.register import check_register
from fruitvision.settings import Settings
from fruitvision.sizes import size_distribution
from fruitvision.strata import (
    StratumSample,
    part_trees,
    tree_weights,
    two_phase_strata,
)
from fruitvision.survey import Ratio, Sampled, add_errors, estimate_from, with_tails
from fruitvision.two_phase import (
    ASSUMED_FREEDOM,
    TwoPhase,
    stratified_two_phase_mean,
    two_phase_regression,
    two_phase_vigour,
)
from fruitvision.walk_spread import WalkSpread, spread_of_walk

# Below this many trees a block estimate is a first look. Common practice.
FEW_TREES = 8
# Spread of the load between strata assumed where it can't be computed. Our choice: strata are told
# apart because they bear apart, 30 against 90 fruit in the worked example of two.
ASSUMED_STRATUM_SPREAD = 0.50
# Degrees of freedom of an error that is taken for known.
KNOWN = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Background:
    """What is known of a block beside this walk's photos, hand counts and calipers.

    `detector` measured the photos. `like_blocks` lend their hand counts; `earlier` factors are
    used where nothing else tells hidden fruit, those of another detector only if `confirmed`.
    `count_error` is that of the detector: standard deviation of its counts, as a share of them.
    `check` is what fruit calipered in the walk's photos say of their millimetres.
    """

    register: tuple[RegisteredTree, ...] = ()
    visited: tuple[VisitedPlace, ...] = ()
    like_blocks: tuple[LikeBlock, ...] = ()
    earlier: tuple[HiddenFruitFactor, ...] = ()
    detector: str = ""
    confirmed: bool = False
    count_error: float = 0.0
    check: CaliperCheck | None = None


NOTHING_MORE = Background()


def estimate_block(
    block: Block,
    trees: Sequence[TreeSample],
    hand_counts: Sequence[HandCount],
    calipers: Sequence[CaliperReading],
    settings: Settings,
    background: Background = NOTHING_MORE,
) -> BlockEstimate:
    """Fruit per full tree, fruit in the block and today's size distribution, with doubts.

    Raises
    ------
    FieldDataError
        If no tree was photographed, more than the register has or one that it does not have, or
        the register contradicts itself, the block or the walk.
    """
    load = estimate_load(block, trees, hand_counts, background)
    sizes = size_distribution(
        trees,
        calipers,
        walked_on=load.walked_on,
        settings=settings,
        weights=walk_weights(block, background.register, trees),
        check=background.check,
    )
    return with_sizes(load, sizes)


def with_sizes(load: BlockEstimate, sizes: SizeDistribution | None) -> BlockEstimate:
    """The estimate of a load with the sizes of the same walk, and their doubts."""
    doubts = sizes.doubts if sizes else (Doubt.NO_SIZES,)
    return replace(load, sizes=sizes, doubts=merge_doubts(load.doubts, doubts))


def walk_weights(
    block: Block, register: Sequence[RegisteredTree], trees: Sequence[TreeCount]
) -> dict[TreeId, float] | None:
    """Full trees that each photographed tree stands for; None where all stand for as many.

    Raises
    ------
    FieldDataError
        As `part_trees`.
    """
    strata = part_trees(block, register, trees)
    return tree_weights(strata) if len(strata) > 1 else None


def estimate_load(
    block: Block,
    trees: Sequence[TreeCount],
    hand_counts: Sequence[HandCount],
    background: Background = NOTHING_MORE,
) -> BlockEstimate:
    """`estimate_block` without sizes and what is said of them: it needs no single fruit."""
    _check_trees(block, trees)
    check = check_register(block, background.register, background.visited)
    strata = part_trees(block, background.register, trees)
    weights = tree_weights(strata) if len(strata) > 1 else None
    fit = fit_hidden(trees, hand_counts, _sources(background, weights))
    pairs = pairs_of(block.block_id, pair_counts(trees, hand_counts)[0])
    walk = spread_of_walk(block, background.register, [tree.tree for tree in trees])
    fit = fit if fit.ratio else replace(fit, ratio=_visible_only(background.count_error))
    per_tree, sampling_error = _with_missed(_two_phase(strata, fit, pairs), strata, walk)
    return BlockEstimate(
        block=block,
        walked_on=max(tree.walked_on for tree in trees),
        trees=len(trees),
        visible_per_tree=_visible_per_tree(strata),
        factor=fit.factor,
        fruit_per_tree_mean=per_tree.value,
        fruit_per_tree_error=per_tree.error,
        degrees_of_freedom=per_tree.degrees_of_freedom,
        sampling_error=sampling_error,
        fruit_per_tree=estimate_from(per_tree),
        fruit_total=estimate_from(_total(per_tree, check)),
        sizes=None,
        doubts=merge_doubts(
            fit.doubts,
            _tree_doubts(trees, strata, walk),
            (Doubt.REGISTER_DIFFERS,) if check.differs else (),
        ),
        bearing_trees=check.bearing_trees,
        bearing_trees_error=check.bearing_trees_error,
        strata=_stratum_estimates(strata, pairs, fit, per_tree.value),
        trees_per_place=sum(tree.trees for tree in trees) / len(trees),
    )


def _check_trees(block: Block, trees: Sequence[TreeCount]) -> None:
    if not trees:
        raise FieldDataError(
            f"No tree of {block.block_id} has a complete set of photos.",
            fix="Photograph at least 8 trees, each from the same faces, and name them in walk.csv.",
        )


def _sources(background: Background, weights: dict[TreeId, float] | None) -> FactorSources:
    return FactorSources(
        detector=background.detector,
        like_blocks=background.like_blocks,
        earlier=background.earlier,
        confirmed=background.confirmed,
        count_error=background.count_error,
        weights=weights,
    )


# ---------------------------------------------------------------- fruit per tree


def _visible_only(count_error: float) -> Ratio:
    """Nothing is known of hidden fruit, and nothing is added for them.

    The detector's error of counts is taken to be that of all photos alike: those of one walk share
    light, leaf and variety. Its scatter between photos is already in that between trees.
    """
    return Ratio(ratio=1.0, error=count_error, residual_sd=0.0, pairs=0, degrees_of_freedom=KNOWN)


def _two_phase(strata: Sequence[StratumSample], fit: HiddenFit, pairs: BlockPairs) -> TwoPhase:
    """Mean over the sampled strata; visible fruit only where nothing tells hidden ones."""
    sampled = two_phase_strata(strata)
    model = fit.factor.model if fit.factor is not None else ""
    if model == "line":
        return two_phase_regression(sampled, pairs.visible, pairs.counted)
    if model == "vigour":
        by_vigour = two_phase_strata(strata, by_vigour=True)
        numbers = pairs.visible, pairs.counted, pairs.vigour
        return two_phase_vigour(sampled, by_vigour, numbers)
    return stratified_two_phase_mean(sampled, fit.ratio or _visible_only(0.0))


def _with_missed(
    two: TwoPhase, strata: Sequence[StratumSample], walk: WalkSpread
) -> tuple[Sampled, float]:
    """The mean, its error with what the walk did not see, and the part that more trees shrink.

    Strata without a tree are taken to bear as the others; rows that a walk in one part of the
    block left out are taken to differ as rows usually do.
    """
    value = two.mean.value
    strata_missed = _missed_strata(strata) * value
    rows_missed = walk.missed_rows**0.5 * _relative_spread(strata) * value
    error, freedom = add_errors(
        [two.mean.error**2, strata_missed**2, rows_missed**2],
        [two.mean.degrees_of_freedom, ASSUMED_FREEDOM, ASSUMED_FREEDOM],
    )
    per_tree = with_tails(Sampled(value=value, error=error, degrees_of_freedom=freedom))
    sampling = float(np.linalg.norm([two.sampling_error, strata_missed, rows_missed]))
    return per_tree, sampling * (per_tree.error / error if error > 0 else 1.0)


def _missed_strata(strata: Sequence[StratumSample]) -> float:
    """Relative error of the block's mean by strata without a tree.

    Each may stray from the others by the spread between those that were seen, or the assumed
    spread if that is larger.
    """
    whole = sum(one.stratum.bearing_trees for one in strata)
    shares = [one.stratum.bearing_trees / whole for one in strata if not one.is_sampled]
    return _between_strata(strata) * float(np.linalg.norm(shares)) if shares else 0.0


def _between_strata(strata: Sequence[StratumSample]) -> float:
    """Coefficient of variation of the load between strata, the assumed one at least."""
    seen = [one.visible for one in strata if one.is_sampled]
    mean = _visible_per_tree(strata)
    if len(seen) < 2 or mean <= 0:
        return ASSUMED_STRATUM_SPREAD
    return max(ASSUMED_STRATUM_SPREAD, float(np.std(seen, ddof=1)) / mean)


def _relative_spread(strata: Sequence[StratumSample]) -> float:
    """Coefficient of variation of fruit per tree within strata."""
    sampled = two_phase_strata(strata)
    mean = sum(one.share * one.mean for one in sampled) / sum(one.share for one in sampled)
    spread = sum(one.share * one.variance for one in sampled) / sum(one.share for one in sampled)
    return spread**0.5 / mean if mean > 0 else 0.0


def _total(per_tree: Sampled, check: RegisterCheck) -> Sampled:
    """Fruit in the block, with the error of the number of trees."""
    error, freedom = add_errors(
        [
            (check.bearing_trees * per_tree.error) ** 2,
            (per_tree.value * check.bearing_trees_error) ** 2,
        ],
        [per_tree.degrees_of_freedom, KNOWN],
    )
    return Sampled(
        value=check.bearing_trees * per_tree.value, error=error, degrees_of_freedom=freedom
    )


# ---------------------------------------------------------------- strata, doubts


def _visible_per_tree(strata: Sequence[StratumSample]) -> float:
    sampled = [one for one in strata if one.is_sampled]
    return float(
        np.average(
            [one.visible for one in sampled], weights=[one.stratum.bearing_trees for one in sampled]
        )
    )


def _stratum_estimates(
    strata: Sequence[StratumSample], pairs: BlockPairs, fit: HiddenFit, block_mean: float
) -> tuple[StratumEstimate, ...]:
    """Fruit per full tree of each stratum, if the block has more than one."""
    if len(strata) < 2:
        return ()
    return tuple(
        StratumEstimate(
            name=one.stratum.name,
            bearing_trees=one.stratum.bearing_trees,
            sampled=sum(tree.trees for tree in one.trees),
            fruit_per_tree=estimate_from(
                with_tails(_two_phase([one], fit, pairs).mean)
                if one.is_sampled
                else _assumed_mean(strata, block_mean)
            ),
        )
        for one in strata
    )


def _assumed_mean(strata: Sequence[StratumSample], block_mean: float) -> Sampled:
    """Load of a stratum without a tree: that of the others, give or take."""
    return Sampled(
        value=block_mean,
        error=_between_strata(strata) * block_mean,
        degrees_of_freedom=ASSUMED_FREEDOM,
    )


def _tree_doubts(
    trees: Sequence[TreeCount], strata: Sequence[StratumSample], walk: WalkSpread
) -> Doubts:
    # All of them or none: then counts of all trees are alike, those of the hand-counted ones too.
    put_right = sum(Doubt.PUT_RIGHT in tree.doubts for tree in trees)
    found = {
        Doubt.PUT_RIGHT: 0 < put_right < len(trees),
        Doubt.FEW_TREES: len(trees) < FEW_TREES,
        Doubt.NOT_SPREAD: not walk.is_spread,
        Doubt.STRATUM_NOT_SAMPLED: any(
            not one.is_sampled and one.stratum.bearing_trees > 0 for one in strata
        ),
        Doubt.ONE_TREE: any(len(one.trees) == 1 for one in strata),
        Doubt.TREES_ALL_EQUAL: any(one.all_equal for one in strata),
        Doubt.PANEL_MIXED: any(one.mixed for one in strata),
    }
    return tuple(doubt for doubt, is_so in found.items() if is_so)

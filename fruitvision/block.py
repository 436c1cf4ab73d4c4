"""Sampled trees stand for the block: hidden fruit, total, and the distribution of sizes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import (
    Block,
    BlockEstimate,
    CaliperReading,
    Doubt,
    Doubts,
    HandCount,
    HiddenFruitFactor,
    SizeDistribution,
    TreeId,
    TreeSample,
    merge_doubts,
)
from fruitvision.errors import FieldDataError
from fruitvision.settings import Settings
from fruitvision.survey import (
    Ratio,
    Sampled,
    cluster_mean,
    estimate_from,
    ratio_of_sums,
    two_phase_mean,
)
from fruitvision.tree import WALK_DAYS

# Below this many trees a block estimate is a first look. Common practice.
FEW_TREES = 8
# Below this many hand-counted trees the hidden-fruit factor is called weak. Common practice.
FEW_HAND_COUNTS = 5
# Spread assumed where it can't be computed. Of hand to visible count between trees: 25 %; of fruit
# per tree: 30 %. Common practice for phone photos and uneven blocks.
ASSUMED_FACTOR_SPREAD = 0.25
ASSUMED_TREE_SPREAD = 0.30
# Least spread of diameters that is believed after noise is taken out: CV of fruit mass 16-28 % in
# 272 trees (Zhang & Robson), a third of it for the diameter.
SMALLEST_DIAMETER_CV = 0.05
# From this many caliper readings on, their spread is used instead of the photos'. Our choice:
# the standard deviation of 30 readings is known to 13 %.
CALIPERS_FOR_SPREAD = 30
# Days between the hand count and the photo of a tree. Our choice: a fortnight of drop is little.
HAND_COUNT_DAYS = 14
# Equally probable diameters that stand for a distribution.
QUANTILES = 199


def fit_hidden_fruit(
    trees: Sequence[TreeSample], hand_counts: Sequence[HandCount]
) -> tuple[HiddenFruitFactor | None, Doubts]:
    """Fruit on the tree per visible fruit: Σ hand count / Σ visible over the hand-counted trees.

    A count of another photo protocol is not used and said so; a count below the visible one is
    used and named as a doubt. Counts more than `HAND_COUNT_DAYS` from the photo are left out.

    Returns
    -------
    factor : HiddenFruitFactor or None
        None if no tree has both counts.
    doubts : tuple of Doubt
        Those of the factor, or why there is none.
    """
    pairs, doubts = pair_counts(trees, hand_counts)
    visible = [float(tree.visible_count) for tree, _ in pairs]
    counted = [float(count.fruit_count) for _, count in pairs]
    if sum(visible) <= 0:
        return None, merge_doubts(doubts, (Doubt.NO_HAND_COUNTS,))
    if any(count < seen for seen, count in zip(visible, counted, strict=True)):
        doubts = merge_doubts(doubts, (Doubt.HAND_BELOW_VISIBLE,))
    if len(pairs) < FEW_HAND_COUNTS:
        doubts = merge_doubts(doubts, (Doubt.FEW_HAND_COUNTS,))
    ratio = _ratio(visible, counted)
    factor = HiddenFruitFactor(
        factor=ratio.ratio,
        factor_error=ratio.error,
        trees=len(pairs),
        protocol=pairs[0][0].protocol,
        doubts=doubts,
    )
    return factor, doubts


def pair_counts(
    trees: Sequence[TreeSample], hand_counts: Sequence[HandCount]
) -> tuple[list[tuple[TreeSample, HandCount]], Doubts]:
    """Photographed trees with the hand count nearest in time, and a doubt if a protocol differs."""
    pairs: list[tuple[TreeSample, HandCount]] = []
    other_protocol = False
    for tree in trees:
        near = [
            count
            for count in hand_counts
            if count.tree == tree.tree and _days_apart(count, tree) <= HAND_COUNT_DAYS
        ]
        fitting = [count for count in near if count.protocol == tree.protocol]
        other_protocol |= len(fitting) < len(near)
        if fitting:
            pairs.append((tree, min(fitting, key=lambda count: _days_apart(count, tree))))
    return pairs, ((Doubt.OTHER_PROTOCOL,) if other_protocol else ())


def _days_apart(count: HandCount, tree: TreeSample) -> int:
    return abs((count.counted_on - tree.walked_on).days)


def _ratio(visible: Sequence[float], counted: Sequence[float]) -> Ratio:
    """Ratio of sums; of a single pair with an assumed spread."""
    if len(visible) >= 2:
        return ratio_of_sums(visible, counted)
    spread = ASSUMED_FACTOR_SPREAD * max(counted[0], 1.0)
    ratio = counted[0] / visible[0]
    return Ratio(ratio=ratio, error=spread / visible[0], residual_sd=spread, pairs=1)


def estimate_block(
    block: Block,
    trees: Sequence[TreeSample],
    hand_counts: Sequence[HandCount],
    calipers: Sequence[CaliperReading],
    settings: Settings,
) -> BlockEstimate:
    """Fruit per tree, fruit in the block and today's size distribution, with doubts.

    Raises
    ------
    FieldDataError
        If no tree was photographed, or more trees than the register has.
    """
    _check_register(block, trees)
    factor, factor_doubts = fit_hidden_fruit(trees, hand_counts)
    pairs, _ = pair_counts(trees, hand_counts)
    per_tree = _fruit_per_tree(
        [float(tree.visible_count) for tree in trees],
        [(float(tree.visible_count), float(count.fruit_count)) for tree, count in pairs],
        population=block.bearing_trees,
    )
    walked_on = max(tree.walked_on for tree in trees)
    sizes = size_distribution(trees, calipers, walked_on=walked_on, settings=settings)
    visible = [tree.visible_count for tree in trees]
    return BlockEstimate(
        block=block,
        walked_on=walked_on,
        trees=len(trees),
        visible_per_tree=float(np.mean(visible)),
        factor=factor,
        fruit_per_tree_mean=per_tree.value,
        fruit_per_tree_error=per_tree.error,
        degrees_of_freedom=per_tree.degrees_of_freedom,
        sampling_error=_sampling_error(visible, per_tree.value, block.bearing_trees),
        fruit_per_tree=estimate_from(per_tree),
        fruit_total=estimate_from(per_tree, times=block.bearing_trees),
        sizes=sizes,
        doubts=merge_doubts(
            factor_doubts,
            (Doubt.FEW_TREES,) if len(trees) < FEW_TREES else (),
            sizes.doubts if sizes else (Doubt.NO_SIZES,),
        ),
    )


def _check_register(block: Block, trees: Sequence[TreeSample]) -> None:
    if not trees:
        raise FieldDataError(
            f"No tree of {block.block_id} has a complete set of photos.",
            fix="Photograph at least 8 trees, each from the same faces, and name them in walk.csv.",
        )
    if len(trees) > block.bearing_trees:
        raise FieldDataError(
            f"{block.block_id}: {len(trees)} trees were photographed, but the register has "
            f"{block.bearing_trees} bearing trees.",
            fix="Correct positions, missing and pollinizers in blocks.csv.",
        )


def _fruit_per_tree(
    visible: Sequence[float], pairs: Sequence[tuple[float, float]], *, population: int
) -> Sampled:
    """Mean fruit per tree; visible fruit only where no tree was counted by hand."""
    if sum(seen for seen, _ in pairs) > 0:
        ratio = _ratio([seen for seen, _ in pairs], [count for _, count in pairs])
    else:
        ratio = Ratio(ratio=1.0, error=0.0, residual_sd=0.0, pairs=len(visible))
    if len(visible) >= 2:
        return two_phase_mean(visible, ratio, population=population)
    mean = ratio.ratio * visible[0]
    error = float(np.hypot(ASSUMED_TREE_SPREAD * mean, ratio.error * visible[0]))
    return Sampled(value=mean, error=error, degrees_of_freedom=1)


def _sampling_error(visible: Sequence[int], mean: float, population: int) -> float:
    """The part of the error of the mean that more photographed trees would shrink."""
    if len(visible) < 2 or np.mean(visible) <= 0:
        return ASSUMED_TREE_SPREAD * mean
    cv = float(np.std(visible, ddof=1) / np.mean(visible))
    return mean * cv * math.sqrt(1 / len(visible) - 1 / population)


# ---------------------------------------------------------------- sizes


def size_distribution(
    trees: Sequence[TreeSample],
    calipers: Sequence[CaliperReading],
    *,
    walked_on: date,
    settings: Settings,
) -> SizeDistribution | None:
    """Diameters of the block's fruit on the day of the walk, freed of measuring noise.

    The observed variance is true variance plus noise variance; the fruits' own standard errors
    give the noise, and every deviation from the mean is shrunk by the square root of the true
    share. The marker hangs nearer or farther than the mean fruit: this error, common to the walk,
    is corrected by the caliper readings of the same days, each side weighted by its variance.

    Returns
    -------
    SizeDistribution or None
        None if fewer than 2 fruit were sized.
    """
    observed = np.array([diameter for tree in trees for diameter in tree.diameters_mm])
    if len(observed) < 2:
        return None
    errors = np.array([error for tree in trees for error in tree.diameter_errors_mm])
    photo = _mean_of_trees([tree.diameters_mm for tree in trees])
    readings = [r for r in calipers if abs((r.measured_on - walked_on).days) < WALK_DAYS]
    shift, shared = _calibration(photo, readings, settings)
    mean = float(observed.mean()) + shift
    spread, spread_error = _true_spread(observed, errors, readings)
    shape = _shape(observed)
    return SizeDistribution(
        measured_on=walked_on,
        quantiles_mm=tuple(float(d) for d in mean + spread * shape),
        mean_mm=mean,
        sd_mm=spread,
        mean_error_mm=photo.error,
        shared_error=shared / mean,
        spread_error=spread_error,
        fruit=len(observed),
        trees=sum(bool(tree.diameters_mm) for tree in trees),
        doubts=() if readings else (Doubt.NO_CALIPERS,),
    )


def _mean_of_trees(clusters: Sequence[Sequence[float]]) -> Sampled:
    """Mean with tree as cluster; of one tree with the spread between trees assumed 3 %."""
    filled = [values for values in clusters if len(values) > 0]
    if len(filled) >= 2:
        return cluster_mean(filled)
    mean = float(np.mean(filled[0]))
    # Our choice: one tree's mean diameter strays by about 3 % from its block's.
    return Sampled(value=mean, error=0.03 * mean, degrees_of_freedom=1)


def _calibration(
    photo: Sampled, readings: Sequence[CaliperReading], settings: Settings
) -> tuple[float, float]:
    """Shift of the photo mean towards the calipers, mm, and the shared error that is left, mm.

    The shared error before calibration is that of the marker's depth at the usual 2.3 m and of the
    detector's outlines; after it, photos and calipers are combined by inverse variance.
    """
    depth = settings.marker_depth_error_mm / USUAL_DISTANCE_MM
    shared = math.hypot(depth, settings.outline_bias_error) * photo.value
    if len(readings) < 2:
        return 0.0, shared
    clusters: dict[TreeId, list[float]] = {}
    for reading in readings:
        clusters.setdefault(reading.tree, []).append(reading.diameter_mm)
    by_hand = _mean_of_trees(list(clusters.values()))
    noise = photo.error**2 + by_hand.error**2
    weight = shared**2 / (shared**2 + noise) if shared > 0 else 0.0
    left = (shared**2 * noise / (shared**2 + noise)) ** 0.5 if shared > 0 else 0.0
    return weight * (by_hand.value - photo.value), left


# Distance from camera to marker that the walk card asks for, mm.
USUAL_DISTANCE_MM = 2300.0


def _true_spread(
    observed: NDArray[np.float64],
    errors: NDArray[np.float64],
    readings: Sequence[CaliperReading],
) -> tuple[float, float]:
    """Standard deviation of the true diameters, mm, and its relative error."""
    if len(readings) >= CALIPERS_FOR_SPREAD:
        by_hand = np.array([reading.diameter_mm for reading in readings])
        # 1/sqrt(2(n-1)), a half more since fruit of one tree are alike.
        return float(by_hand.std(ddof=1)), 1.5 / (2 * (len(by_hand) - 1)) ** 0.5
    seen = float(observed.std(ddof=1))
    noise = float(np.mean(errors**2)) ** 0.5
    floor = min(seen, SMALLEST_DIAMETER_CV * float(observed.mean()))
    spread = max(floor, max(0.0, seen**2 - noise**2) ** 0.5)
    # The noise itself is known to about a quarter; that error weighs more the larger its part.
    error = float(np.hypot(1.5 / (2 * (len(observed) - 1)) ** 0.5, 0.25 * (noise / spread) ** 2))
    return spread, min(error, 0.4)


def _shape(observed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Quantiles of the observed diameters, brought to mean 0 and standard deviation 1."""
    probabilities = (np.arange(QUANTILES) + 0.5) / QUANTILES
    quantiles = np.quantile(observed, probabilities)
    deviation = float(quantiles.std())
    centred: NDArray[np.float64] = quantiles - quantiles.mean()
    return centred / (deviation if deviation > 0 else 1.0)

"""Diameters of the sampled trees become the size distribution of the block, freed of noise."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import CaliperReading, Doubt, SizeDistribution, TreeId, TreeSample
from fruitvision.settings import Settings
from fruitvision.survey import Sampled, add_errors, cluster_mean, with_tails
from fruitvision.tree import WALK_DAYS

Array = NDArray[np.float64]

# Least spread of diameters that is believed after noise is taken out: CV of fruit mass 16-28 % in
# 272 trees (Zhang & Robson), a third of it for the diameter.
SMALLEST_DIAMETER_CV = 0.05
# From this many caliper readings on, their spread is used instead of the photos'. Our choice:
# the standard deviation of 30 readings is known to 13 %.
CALIPERS_FOR_SPREAD = 30
# Equally probable diameters that stand for a distribution.
QUANTILES = 199
# Distance from camera to marker that the walk card asks for, mm.
USUAL_DISTANCE_MM = 2300.0


def size_distribution(
    trees: Sequence[TreeSample],
    calipers: Sequence[CaliperReading],
    *,
    walked_on: date,
    settings: Settings,
    weights: Mapping[TreeId, float] | None = None,
) -> SizeDistribution | None:
    """Diameters of the block's fruit on the day of the walk, freed of measuring noise.

    The observed variance is true variance plus noise variance; the fruits' own standard errors
    give the noise, and every deviation from the mean is shrunk by the square root of the true
    share. The marker hangs nearer or farther than the mean fruit: this error, common to the walk,
    is corrected by the caliper readings of the same days, each side weighted by its variance.

    `weights` tells how many trees of the block each tree stands for, so that a stratum counts by
    its trees and not by its photos; all alike if left out.

    Returns
    -------
    SizeDistribution or None
        None if fewer than 2 fruit were sized.
    """
    observed = np.array([diameter for tree in trees for diameter in tree.diameters_mm])
    if len(observed) < 2:
        return None
    errors = np.array([error for tree in trees for error in tree.diameter_errors_mm])
    of_tree = [1.0 if weights is None else weights[tree.tree] for tree in trees]
    photo = _mean_of_trees([tree.diameters_mm for tree in trees], of_tree)
    readings = [r for r in calipers if abs((r.measured_on - walked_on).days) < WALK_DAYS]
    by_hand = _mean_by_hand(readings, trees, of_tree) if len(readings) >= 2 else None
    found = _calibrated(photo, by_hand, settings)
    of_fruit = np.repeat(of_tree, [len(tree.diameters_mm) for tree in trees])
    if of_fruit.sum() <= 0:
        return None
    mean = float(np.average(observed, weights=of_fruit)) + found.shift_mm
    seen = float(np.cov(observed, aweights=of_fruit)) ** 0.5
    spread, spread_error = _true_spread(seen, observed, errors, readings)
    shape = _without_skew_of_noise(_shape(observed, of_fruit), seen, spread, mean)
    return SizeDistribution(
        measured_on=walked_on,
        quantiles_mm=tuple(float(d) for d in mean + spread * shape),
        mean_mm=mean,
        sd_mm=spread,
        mean_error_mm=found.own_error_mm,
        shared_error=found.shared_error_mm / mean,
        spread_error=spread_error,
        fruit=len(observed),
        trees=sum(bool(tree.diameters_mm) for tree in trees),
        doubts=() if readings else (Doubt.NO_CALIPERS,),
        degrees_of_freedom=found.degrees_of_freedom,
    )


def _mean_of_trees(clusters: Sequence[Sequence[float]], weights: Sequence[float]) -> Sampled:
    """Mean with tree as cluster; of one tree with the spread between trees assumed 3 %."""
    filled = [index for index, values in enumerate(clusters) if len(values) > 0]
    if len(filled) >= 2:
        return cluster_mean([clusters[i] for i in filled], weights=[weights[i] for i in filled])
    mean = float(np.mean(clusters[filled[0]]))
    # Our choice: one tree's mean diameter strays by about 3 % from its block's.
    return Sampled(value=mean, error=0.03 * mean, degrees_of_freedom=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Calibrated:
    """Shift of the photos' mean, and the errors of the shifted one: its own and the scale's."""

    shift_mm: float
    own_error_mm: float
    shared_error_mm: float
    degrees_of_freedom: int


def _mean_by_hand(
    readings: Sequence[CaliperReading], trees: Sequence[TreeSample], of_tree: Sequence[float]
) -> Sampled:
    """Mean of the caliper readings, each standing for a like share of its tree's fruit.

    As many fruit are read on a heavy tree as on a light one, and heavy trees bear smaller fruit:
    a plain mean would read large.
    """
    clusters: dict[TreeId, list[float]] = {}
    for reading in readings:
        clusters.setdefault(reading.tree, []).append(reading.diameter_mm)
    seen = {
        tree.tree: tree.visible_count * weight for tree, weight in zip(trees, of_tree, strict=True)
    }
    usual = float(np.mean(list(seen.values())))
    fruit = [seen.get(tree, usual) for tree in clusters]
    if sum(fruit) <= 0:
        fruit = [1.0] * len(clusters)
    weights = [many / len(of) for many, of in zip(fruit, clusters.values(), strict=True)]
    return _mean_of_trees(list(clusters.values()), weights)


def _calibrated(photo: Sampled, by_hand: Sampled | None, settings: Settings) -> _Calibrated:
    """The photos' mean moved towards the calipers', each weighted by its variance.

    The photos err by the trees drawn and by the scale, which is that of the marker's depth at the
    usual 2.3 m and of the detector's outlines; the calipers by the trees and fruit drawn only.
    """
    depth = settings.marker_depth_error_mm / USUAL_DISTANCE_MM
    shared = math.hypot(depth, settings.outline_bias_error) * photo.value
    # Photos without an error of scale are right by themselves, and their trees are more.
    if by_hand is None or shared == 0:
        alone = with_tails(photo)
        return _Calibrated(
            shift_mm=0.0,
            own_error_mm=alone.error,
            shared_error_mm=shared,
            degrees_of_freedom=alone.degrees_of_freedom,
        )
    of_photos = photo.error**2 + shared**2
    weight = of_photos / (of_photos + by_hand.error**2)
    own_error, freedom = add_errors(
        [((1 - weight) * photo.error) ** 2, (weight * by_hand.error) ** 2],
        [photo.degrees_of_freedom, by_hand.degrees_of_freedom],
    )
    own = with_tails(Sampled(value=photo.value, error=own_error, degrees_of_freedom=freedom))
    return _Calibrated(
        shift_mm=weight * (by_hand.value - photo.value),
        own_error_mm=own.error,
        shared_error_mm=(1 - weight) * shared,
        degrees_of_freedom=own.degrees_of_freedom,
    )


def _true_spread(
    seen: float,
    observed: Array,
    errors: Array,
    readings: Sequence[CaliperReading],
) -> tuple[float, float]:
    """Standard deviation of the true diameters, mm, and its relative error."""
    if len(readings) >= CALIPERS_FOR_SPREAD:
        return _spread_by_hand(readings)
    noise = float(np.mean(errors**2)) ** 0.5
    floor = min(seen, SMALLEST_DIAMETER_CV * float(observed.mean()))
    spread = max(floor, max(0.0, seen**2 - noise**2) ** 0.5)
    # The noise itself is known to about a quarter; that error weighs more the larger its part.
    error = float(np.hypot(1.5 / (2 * (len(observed) - 1)) ** 0.5, 0.25 * (noise / spread) ** 2))
    return spread, min(error, 0.4)


def _spread_by_hand(readings: Sequence[CaliperReading]) -> tuple[float, float]:
    """Standard deviation of all fruit from those of a few trees, mm, and its relative error.

    The variance within trees plus that between them by the analysis of variance, with the mean
    number of readings a tree. Its error is that of the two mean squares, of normal diameters.
    """
    clusters: dict[TreeId, list[float]] = {}
    for reading in readings:
        clusters.setdefault(reading.tree, []).append(reading.diameter_mm)
    all_mm = np.array([diameter for of_tree in clusters.values() for diameter in of_tree])
    trees, fruit = len(clusters), len(all_mm)
    if trees < 2 or fruit == trees:
        # 1/sqrt(2(n-1)); a half more for one tree, whose fruit are alike.
        more = 1.5 if trees < 2 else 1.0
        return float(all_mm.std(ddof=1)), more / (2 * (fruit - 1)) ** 0.5
    within = float(sum(np.var(of_tree) * len(of_tree) for of_tree in clusters.values()))
    of_fruit = within / (fruit - trees)
    of_trees = (float(np.var(all_mm)) * fruit - within) / (trees - 1)
    each = fruit / trees
    between, rest = of_trees / each, of_fruit * (1 - 1 / each)
    error = (2 * between**2 / (trees - 1) + 2 * rest**2 / (fruit - trees)) ** 0.5
    variance = between + rest
    return variance**0.5, error / (2 * variance) if variance > 0 else 0.0


def _shape(observed: Array, weights: Array) -> Array:
    """Quantiles of the observed diameters, brought to mean 0 and standard deviation 1."""
    probabilities = (np.arange(QUANTILES) + 0.5) / QUANTILES
    quantiles = weighted_quantiles(observed, weights, probabilities)
    deviation = float(quantiles.std())
    centred: Array = quantiles - quantiles.mean()
    return centred / (deviation if deviation > 0 else 1.0)


def _without_skew_of_noise(shape: Array, seen: float, spread: float, mean: float) -> Array:
    """A shape of mean 0 and standard deviation 1 without the skew that measuring gave it.

    A fruit nearer than the marker is read larger by a share of its own size, so that large fruit
    stray more mm than small ones: with true variance s², noise variance n² and mean μ the third
    moment of the readings is 6·s²·n²/μ too high. Left in, it takes 2 to 4 % of the fruit from the
    classes above the middle. The second term of Cornish and Fisher's expansion takes it out.
    """
    true_share = min(1.0, (spread / seen) ** 2) if seen > 0 else 1.0
    skew = 6 * true_share * (1 - true_share) * seen / mean
    bent = shape - skew / 6 * (shape**2 - 1)
    deviation = float(bent.std())
    return np.asarray((bent - bent.mean()) / (deviation if deviation > 0 else 1.0))


def weighted_quantiles(values: Array, weights: Array, probabilities: Array) -> Array:
    """Quantiles of weighted values, linear in between; numpy's own if all weights are equal."""
    order = np.argsort(values, kind="stable")
    w = weights[order]
    before = np.cumsum(w) - w / 2
    span = before[-1] - before[0]
    if span <= 0:
        return np.full(len(probabilities), float(values[order][-1]))
    return np.interp(probabilities, (before - before[0]) / span, values[order])

"""Diameters of the sampled trees become the size distribution of the block, freed of noise."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import CaliperReading, Doubt, SizeDistribution, TreeId, TreeSample
from fruitvision.settings import Settings
from fruitvision.survey import Sampled, cluster_mean
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
    shift, shared = _calibration(photo, readings, settings)
    of_fruit = np.repeat(of_tree, [len(tree.diameters_mm) for tree in trees])
    if of_fruit.sum() <= 0:
        return None
    mean = float(np.average(observed, weights=of_fruit)) + shift
    seen = float(np.cov(observed, aweights=of_fruit)) ** 0.5
    spread, spread_error = _true_spread(seen, observed, errors, readings)
    shape = _shape(observed, of_fruit)
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


def _mean_of_trees(clusters: Sequence[Sequence[float]], weights: Sequence[float]) -> Sampled:
    """Mean with tree as cluster; of one tree with the spread between trees assumed 3 %."""
    filled = [index for index, values in enumerate(clusters) if len(values) > 0]
    if len(filled) >= 2:
        return cluster_mean([clusters[i] for i in filled], weights=[weights[i] for i in filled])
    mean = float(np.mean(clusters[filled[0]]))
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
    by_hand = _mean_of_trees(list(clusters.values()), [1.0] * len(clusters))
    noise = photo.error**2 + by_hand.error**2
    weight = shared**2 / (shared**2 + noise) if shared > 0 else 0.0
    left = (shared**2 * noise / (shared**2 + noise)) ** 0.5 if shared > 0 else 0.0
    return weight * (by_hand.value - photo.value), left


def _true_spread(
    seen: float,
    observed: Array,
    errors: Array,
    readings: Sequence[CaliperReading],
) -> tuple[float, float]:
    """Standard deviation of the true diameters, mm, and its relative error."""
    if len(readings) >= CALIPERS_FOR_SPREAD:
        by_hand = np.array([reading.diameter_mm for reading in readings])
        # 1/sqrt(2(n-1)), a half more since fruit of one tree are alike.
        return float(by_hand.std(ddof=1)), 1.5 / (2 * (len(by_hand) - 1)) ** 0.5
    noise = float(np.mean(errors**2)) ** 0.5
    floor = min(seen, SMALLEST_DIAMETER_CV * float(observed.mean()))
    spread = max(floor, max(0.0, seen**2 - noise**2) ** 0.5)
    # The noise itself is known to about a quarter; that error weighs more the larger its part.
    error = float(np.hypot(1.5 / (2 * (len(observed) - 1)) ** 0.5, 0.25 * (noise / spread) ** 2))
    return spread, min(error, 0.4)


def _shape(observed: Array, weights: Array) -> Array:
    """Quantiles of the observed diameters, brought to mean 0 and standard deviation 1."""
    probabilities = (np.arange(QUANTILES) + 0.5) / QUANTILES
    quantiles = weighted_quantiles(observed, weights, probabilities)
    deviation = float(quantiles.std())
    centred: Array = quantiles - quantiles.mean()
    return centred / (deviation if deviation > 0 else 1.0)


def weighted_quantiles(values: Array, weights: Array, probabilities: Array) -> Array:
    """Quantiles of weighted values, linear in between; numpy's own if all weights are equal."""
    order = np.argsort(values, kind="stable")
    w = weights[order]
    before = np.cumsum(w) - w / 2
    span = before[-1] - before[0]
    if span <= 0:
        return np.full(len(probabilities), float(values[order][-1]))
    return np.interp(probabilities, (before - before[0]) / span, values[order])

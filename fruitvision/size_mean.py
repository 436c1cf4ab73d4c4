"""The block's mean diameter and spread from photos and calipers: two witnesses, each weighted by
its variance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import CaliperCheck, CaliperReading, TreeCount, TreeId
from fruitvision.settings import Settings
from fruitvision.survey import Sampled, add_errors, cluster_mean, ratio_of_sums, with_tails

Array = NDArray[np.float64]

# Distance from camera to marker that the walk card asks for, mm.
USUAL_DISTANCE_MM = 2300.0
# One tree's mean diameter strays by so much from its block's, relative. Our choice.
ONE_TREE_ERROR = 0.03
# And one fruit's from its tree's: CV of fruit mass 16-28 % in 272 trees (Zhang & Robson), a third
# of it for the diameter.
ONE_FRUIT_ERROR = 0.07
# Least error of a mean by hand, as a share of what so many trees and fruit usually err by: readings
# that agree by chance are no proof. Our choice: of two trees, one pair in five agrees as closely.
LEAST_OF_USUAL = 0.25
# Most relative error of a spread: little more is known of any block without photos. Our choice.
MOST_SPREAD_ERROR = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoMean:
    """Mean of the photos: `own` with the error of the trees and of what calipered fruit left,
    `shared_mm` with the error that all photos of the walk have in common."""

    own: Sampled
    shared_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """Shift of the photos' mean, and the errors of the shifted one: its own and the scale's."""

    shift_mm: float
    own_error_mm: float
    shared_error_mm: float
    degrees_of_freedom: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Standard deviation of the true diameters, mm, and its relative error."""

    sd_mm: float
    error: float


def mean_of_fruit(read_mm: Array, fruit_weights: Array, tree: NDArray[np.intp]) -> Sampled:
    """Weighted mean with tree as cluster; of one tree with the spread between trees assumed."""
    trees = np.unique(tree)
    if len(trees) < 2:
        mean = float(np.average(read_mm, weights=fruit_weights))
        return Sampled(value=mean, error=ONE_TREE_ERROR * mean, degrees_of_freedom=1)
    ratio = ratio_of_sums(
        [float(fruit_weights[tree == one].sum()) for one in trees],
        [float(fruit_weights[tree == one] @ read_mm[tree == one]) for one in trees],
    )
    return Sampled(value=ratio.ratio, error=ratio.error, degrees_of_freedom=len(trees) - 1)


def photo_mean(mean: Sampled, check: CaliperCheck | None, settings: Settings) -> PhotoMean:
    """The photos' mean with its errors.

    The scale of all photos errs by the marker's depth at the usual 2.3 m and by the detector's
    outlines. Of variance t², calipered fruit in the photos leave v²: what they took away was
    replaced by their own error, which is this walk's alone. Weighted by variances as in
    `check_calipers`, v⁴/t² is still common to all walks, and v² − v⁴/t² is not.
    """
    depth = settings.marker_depth_error_mm / USUAL_DISTANCE_MM
    expected = math.hypot(depth, settings.outline_bias_error) * mean.value
    if check is None or check.pairs == 0 or expected == 0:
        return PhotoMean(own=mean, shared_mm=expected)
    left = min(check.error_mm(mean.value), expected)
    shared = left**2 / expected
    error, freedom = add_errors(
        [mean.error**2, left**2 - shared**2],
        [mean.degrees_of_freedom, max(1, check.pairs - 1)],
    )
    own = Sampled(value=mean.value, error=error, degrees_of_freedom=freedom)
    return PhotoMean(own=own, shared_mm=shared)


def mean_by_hand(
    readings: Sequence[CaliperReading], trees: Sequence[TreeCount], of_tree: Sequence[float]
) -> Sampled:
    """Mean of the caliper readings, each standing for a like share of its tree's fruit.

    As many fruit are read on a heavy tree as on a light one, and heavy trees bear smaller fruit:
    a plain mean would read large. A tree without visible fruit stands for none, unless all are so.
    """
    clusters = _by_tree(readings)
    seen = {
        tree.tree: tree.visible_count * weight for tree, weight in zip(trees, of_tree, strict=True)
    }
    usual = float(np.mean(list(seen.values())))
    fruit = [seen.get(tree, usual) for tree in clusters]
    if sum(fruit) <= 0:
        fruit = [1.0] * len(clusters)
    counted = [(of, many) for of, many in zip(clusters.values(), fruit, strict=True) if many > 0]
    if len(counted) < 2:
        mean = float(np.mean(counted[0][0]))
        return Sampled(value=mean, error=ONE_TREE_ERROR * mean, degrees_of_freedom=1)
    found = cluster_mean(
        [of for of, _ in counted], weights=[many / len(of) for of, many in counted]
    )
    read = sum(len(of) for of, _ in counted)
    usual = math.hypot(ONE_TREE_ERROR / len(counted) ** 0.5, ONE_FRUIT_ERROR / read**0.5)
    return replace(found, error=max(found.error, LEAST_OF_USUAL * usual * found.value))


def calibrated(photo: PhotoMean, by_hand: Sampled | None) -> Calibrated:
    """The photos' mean moved towards the calipers', each weighted by its variance.

    The photos err by the trees drawn and by the scale; the calipers by the trees and fruit drawn
    only. Fruit that were calipered in a photo may be among the readings: the pair tells what the
    photo reads beyond the caliper, the reading tells the fruit's size, and these err apart.
    """
    mean, shared = photo.own, photo.shared_mm
    # Photos without an error of scale are right by themselves, and their trees are more.
    if by_hand is None or shared == 0:
        alone = with_tails(mean)
        return Calibrated(
            shift_mm=0.0,
            own_error_mm=alone.error,
            shared_error_mm=shared,
            degrees_of_freedom=alone.degrees_of_freedom,
        )
    of_photos = mean.error**2 + shared**2
    weight = of_photos / (of_photos + by_hand.error**2)
    own_error, freedom = add_errors(
        [((1 - weight) * mean.error) ** 2, (weight * by_hand.error) ** 2],
        [mean.degrees_of_freedom, by_hand.degrees_of_freedom],
    )
    own = with_tails(Sampled(value=mean.value, error=own_error, degrees_of_freedom=freedom))
    return Calibrated(
        shift_mm=weight * (by_hand.value - mean.value),
        own_error_mm=own.error,
        shared_error_mm=(1 - weight) * shared,
        degrees_of_freedom=own.degrees_of_freedom,
    )


# ---------------------------------------------------------------- spread


def spread_of_photos(
    seen_mm: float, seen_error: float, *, noise_mm: float, noise_error: float, least_mm: float
) -> Spread:
    """Observed variance less that of the noise.

    Parameters
    ----------
    seen_mm : float
        Standard deviation of what was read.
    seen_error, noise_error : float
        Relative errors of it and of the noise.
    least_mm : float
        Less spread than this is not believed, unless less is seen.
    """
    left = max(0.0, seen_mm**2 - noise_mm**2) ** 0.5
    spread = max(min(seen_mm, least_mm), left)
    if spread == 0:
        return Spread(sd_mm=0.0, error=0.0)
    if spread > left:  # a belief, no measurement
        return Spread(sd_mm=spread, error=MOST_SPREAD_ERROR)
    # d ln(spread) = (seen² d ln(seen) − noise² d ln(noise)) / spread².
    error = math.hypot(seen_error * seen_mm**2, noise_error * noise_mm**2) / spread**2
    return Spread(sd_mm=spread, error=min(error, MOST_SPREAD_ERROR))


def error_of_spread(read_mm: Array, fruit_weights: Array, tree: NDArray[np.intp]) -> float:
    """Relative error of the standard deviation of what was read, with tree as cluster.

    That of the variance by linearisation (Cochran 1977, §6.3, of squared deviations), halved; at
    least that of as many independent fruit.
    """
    weights = fruit_weights / fruit_weights.sum()
    squares = (read_mm - weights @ read_mm) ** 2
    variance = float(weights @ squares)
    trees = int(np.count_nonzero(np.bincount(tree)))
    alone = float((weights @ weights / 2) ** 0.5)
    if variance <= 0:
        return alone
    if trees < 2:
        return 1.5 * alone  # our choice: the fruit of one tree are alike
    sums = np.bincount(tree, weights * (squares - variance))
    clustered = float((sums @ sums) * trees / (trees - 1)) ** 0.5 / (2 * variance)
    return float(max(alone, clustered))


def spread_by_hand(readings: Sequence[CaliperReading]) -> Spread:
    """Standard deviation of all fruit from those of a few trees.

    The variance within trees plus that between them by the analysis of variance, with the mean
    number of readings a tree. Its error is that of the two mean squares, of normal diameters.
    """
    clusters = _by_tree(readings)
    all_mm = np.array([diameter for of_tree in clusters.values() for diameter in of_tree])
    trees, fruit = len(clusters), len(all_mm)
    if trees < 2 or fruit == trees:
        # 1/sqrt(2(n-1)); a half more for one tree, whose fruit are alike.
        more = 1.5 if trees < 2 else 1.0
        return Spread(sd_mm=float(all_mm.std(ddof=1)), error=more / (2 * (fruit - 1)) ** 0.5)
    within = float(sum(np.var(of_tree) * len(of_tree) for of_tree in clusters.values()))
    of_fruit = within / (fruit - trees)
    of_trees = (float(np.var(all_mm)) * fruit - within) / (trees - 1)
    each = fruit / trees
    between, rest = of_trees / each, of_fruit * (1 - 1 / each)
    error = (2 * between**2 / (trees - 1) + 2 * rest**2 / (fruit - trees)) ** 0.5
    variance = between + rest
    return Spread(sd_mm=variance**0.5, error=error / (2 * variance) if variance > 0 else 0.0)


def joined(one: Spread, other: Spread) -> Spread:
    """Two witnesses of one spread, each weighted by its variance, on the log scale."""
    if min(one.sd_mm, other.sd_mm, one.error, other.error) <= 0:
        return other
    weight = other.error**2 / (one.error**2 + other.error**2)
    log_mm = weight * math.log(one.sd_mm) + (1 - weight) * math.log(other.sd_mm)
    return Spread(sd_mm=math.exp(log_mm), error=weight**0.5 * one.error)


def _by_tree(readings: Sequence[CaliperReading]) -> dict[TreeId, list[float]]:
    clusters: dict[TreeId, list[float]] = {}
    for reading in readings:
        clusters.setdefault(reading.tree, []).append(reading.diameter_mm)
    return clusters

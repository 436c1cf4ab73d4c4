"""Diameters of the sampled trees become the size distribution of the block, freed of noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import (
    CaliperCheck,
    CaliperReading,
    Doubt,
    Doubts,
    MeanSize,
    SizeDistribution,
    TreeId,
    TreeSample,
)
from fruitvision.settings import Settings
from fruitvision.size_mean import (
    Calibrated,
    Spread,
    calibrated,
    error_of_spread,
    joined,
    mean_by_hand,
    mean_of_fruit,
    photo_mean,
    spread_by_hand,
    spread_of_photos,
)
from fruitvision.size_mixture import ReadSizes, TrueSizes, true_sizes
from fruitvision.survey import Sampled
from fruitvision.tree import WALK_DAYS

Array = NDArray[np.float64]

# Least spread of diameters that is believed after noise is taken out: CV of fruit mass 16-28 % in
# 272 trees (Zhang & Robson), a third of it for the diameter.
SMALLEST_DIAMETER_CV = 0.05
# From this many caliper readings on, their spread is used beside the photos'. Our choice: the
# standard deviation of 30 readings is known to 13 %.
CALIPERS_FOR_SPREAD = 30
# Relative error of the noise that fruit state, without calipered fruit to check it. Our choice.
NOISE_KNOWN_TO = 0.15
# Least standard error of a diameter, mm: a photo that states none is no better than a caliper.
LEAST_ERROR_MM = 0.3
# Equally probable diameters that stand for a distribution, and for the ways in which it errs.
QUANTILES = 199
BEND_POINTS = 25
# Ways in which the shape errs beside mean and spread. Our choice: a third one holds under a tenth
# of what the first two do.
BENDS = 2
# Trees are drawn again so often. Our choice: tenths are then known to a twentieth of their width.
RESAMPLES = 200


def size_distribution(
    trees: Sequence[TreeSample],
    calipers: Sequence[CaliperReading],
    *,
    walked_on: date,
    settings: Settings,
    weights: Mapping[TreeId, float] | None = None,
    check: CaliperCheck | None = None,
) -> SizeDistribution | None:
    """Diameters of the block's fruit on the day of the walk, freed of measuring noise.

    Every reading is first set right by the fruit that were calipered in the photos (`check`), and
    counts by the inverse of its chance of being sized. Mean and spread are joined with those of
    the block's caliper readings of the same days, each side weighted by its variance. The shape is
    that of the smooth mixture behind the readings (`size_mixture`), each with its own error.

    `weights` tells how many trees of the block each tree stands for, so that a stratum counts by
    its trees and not by its photos; all alike if left out.

    Returns
    -------
    SizeDistribution or None
        None if fewer than 2 fruit were sized.
    """
    found = _moments(trees, calipers, walked_on, settings, weights, check)
    if found is None:
        return None
    shape = _shape(found.read, found.noise_left, found.of_photos, settings)
    mean = found.mean_size
    return SizeDistribution(
        measured_on=mean.measured_on,
        quantiles_mm=tuple((mean.mean_mm + mean.sd_mm * shape.deviations).tolist()),
        mean_mm=mean.mean_mm,
        sd_mm=mean.sd_mm,
        mean_error_mm=mean.mean_error_mm,
        shared_error=mean.shared_error,
        spread_error=found.spread.error,
        fruit=len(found.read.read_mm),
        trees=sum(bool(tree.diameters_mm) for tree in trees),
        doubts=_doubts(found.readings, check),
        degrees_of_freedom=found.calibrated.degrees_of_freedom,
        noise_mm=found.noise_left * found.noise.stated_mm,
        bends_mm=tuple(tuple(np.round(mean.sd_mm * bend, 3).tolist()) for bend in shape.bends),
        caliper_check=check,
    )


def mean_size(
    trees: Sequence[TreeSample],
    calipers: Sequence[CaliperReading],
    *,
    walked_on: date,
    settings: Settings,
    weights: Mapping[TreeId, float] | None = None,
    check: CaliperCheck | None = None,
) -> MeanSize | None:
    """Mean and spread of `size_distribution` without its shape, which takes nearly all the time."""
    found = _moments(trees, calipers, walked_on, settings, weights, check)
    return None if found is None else found.mean_size


def readings_near(
    calipers: Sequence[CaliperReading], walked_on: date
) -> tuple[CaliperReading, ...]:
    """Caliper readings of the days of a walk: the only ones that its sizes rest on."""
    return tuple(one for one in calipers if abs((one.measured_on - walked_on).days) < WALK_DAYS)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moments:
    """Mean and spread by photos and calipers, and what they were worked out of."""

    walked_on: date
    read: ReadSizes
    readings: tuple[CaliperReading, ...]
    of_photos: Sampled
    calibrated: Calibrated
    noise: _Noise
    spread: Spread

    @property
    def noise_left(self) -> float:
        """Factor on the stated errors that the spread leaves to noise."""
        return self.noise.left_by(self.spread)

    @property
    def mean_size(self) -> MeanSize:
        mean_mm = self.of_photos.value + self.calibrated.shift_mm
        return MeanSize(
            measured_on=self.walked_on,
            mean_mm=mean_mm,
            sd_mm=self.spread.sd_mm,
            mean_error_mm=self.calibrated.own_error_mm,
            shared_error=self.calibrated.shared_error_mm / mean_mm,
        )


def _moments(
    trees: Sequence[TreeSample],
    calipers: Sequence[CaliperReading],
    walked_on: date,
    settings: Settings,
    weights: Mapping[TreeId, float] | None,
    check: CaliperCheck | None,
) -> _Moments | None:
    """None if fewer than 2 fruit were sized."""
    of_tree = [1.0 if weights is None else weights[tree.tree] for tree in trees]
    read = _read(trees, of_tree, check)
    if len(read.read_mm) < 2 or read.weights.sum() <= 0:
        return None
    readings = readings_near(calipers, walked_on)
    by_hand = mean_by_hand(readings, trees, of_tree) if len(readings) >= 2 else None
    of_photos = mean_of_fruit(read.read_mm, read.weights, read.tree)
    noise = _Noise(read, check)
    return _Moments(
        walked_on=walked_on,
        read=read,
        readings=readings,
        of_photos=of_photos,
        calibrated=calibrated(photo_mean(of_photos, check, settings), by_hand),
        noise=noise,
        spread=_spread(read, noise, readings),
    )


def _doubts(readings: Sequence[CaliperReading], check: CaliperCheck | None) -> Doubts:
    if check is not None and check.pairs > 0:
        return check.doubts
    return () if readings else (Doubt.NO_CALIPERS,)


# ---------------------------------------------------------------- what was read


def _read(
    trees: Sequence[TreeSample], of_tree: Sequence[float], check: CaliperCheck | None
) -> ReadSizes:
    """Sized fruit of all trees, set right by the calipered ones."""
    read_mm = np.array([diameter for tree in trees for diameter in tree.diameters_mm])
    errors_mm = np.array([error for tree in trees for error in tree.diameter_errors_mm])
    if check is not None and check.pairs > 0 and len(read_mm):
        read_mm = np.maximum((read_mm - check.offset_mm) / check.slope, 1.0)
        errors_mm = errors_mm * check.noise_factor / check.slope
    number = [len(tree.diameters_mm) for tree in trees]
    return ReadSizes(
        read_mm=read_mm,
        errors_mm=np.maximum(errors_mm, LEAST_ERROR_MM),
        weights=np.repeat(np.asarray(of_tree, float), number) * _sizing_weights(trees),
        tree=np.repeat(np.arange(len(trees)), number),
    )


def _sizing_weights(trees: Sequence[TreeSample]) -> Array:
    """Inverse of each sized fruit's chance of being sized; 1 where a tree does not say."""
    return np.array(
        [
            weight
            for tree in trees
            for weight in (tree.sizing_weights or (1.0,) * len(tree.diameters_mm))
        ]
    )


class _Noise:
    """Root mean square of the errors that fruit state, mm, and how well that is known."""

    def __init__(self, read: ReadSizes, check: CaliperCheck | None) -> None:
        self.stated_mm = float(np.average(read.errors_mm**2, weights=read.weights)) ** 0.5
        checked = check is not None and check.pairs > 0
        self.error = check.noise_factor_error if check and checked else NOISE_KNOWN_TO
        mean = float(np.average(read.read_mm, weights=read.weights))
        away = (read.read_mm - mean) ** 2
        self.mean_mm, self.seen_mm = mean, float(np.average(away, weights=read.weights)) ** 0.5

    def left_by(self, spread: Spread) -> float:
        """Factor on the stated errors by which noise and spread make up what was seen.

        Calipers may show more or less spread than the stated noise leaves. It stays within what
        is believed of the noise.
        """
        left = max(0.0, self.seen_mm**2 - spread.sd_mm**2) ** 0.5 / self.stated_mm
        return float(min(max(left, 1 - 2 * self.error), 1 + 2 * self.error))


def _spread(read: ReadSizes, noise: _Noise, readings: Sequence[CaliperReading]) -> Spread:
    """Spread of the true diameters by photos, joined with the calipers' where these are many."""
    of_photos = spread_of_photos(
        noise.seen_mm,
        error_of_spread(read.read_mm, read.weights, read.tree),
        noise_mm=noise.stated_mm,
        noise_error=noise.error,
        least_mm=SMALLEST_DIAMETER_CV * noise.mean_mm,
    )
    if len(readings) < CALIPERS_FOR_SPREAD:
        return of_photos
    return joined(of_photos, spread_by_hand(readings))


# ---------------------------------------------------------------- shape


@dataclass(frozen=True, slots=True, eq=False)
class _Shape:
    """Quantiles of mean 0 and standard deviation 1, (QUANTILES,); ways in which they err, of one
    standard error each, (BENDS, BEND_POINTS)."""

    deviations: Array
    bends: Array


def _shape(read: ReadSizes, noise_factor: float, mean: Sampled, settings: Settings) -> _Shape:
    """Shape of the true diameters, and its errors by the trees drawn."""
    blurred = ReadSizes(
        read_mm=read.read_mm,
        errors_mm=np.maximum(noise_factor * read.errors_mm, LEAST_ERROR_MM),
        weights=read.weights,
        tree=read.tree,
    )
    found = true_sizes(
        blurred,
        effective_fruit=_effective_fruit(read, mean),
        resamples=RESAMPLES,
        rng=np.random.default_rng(settings.seed),
    )
    return _Shape(deviations=_standard(found.quantiles_mm(points(QUANTILES))), bends=_bends(found))


def points(number: int) -> Array:
    """Probabilities of so many equally probable values."""
    return np.asarray((np.arange(number) + 0.5) / number)


def _effective_fruit(read: ReadSizes, mean: Sampled) -> float:
    """Independent fruit that would give the mean its error; at most those there are."""
    most = float(read.weights.sum() ** 2 / (read.weights @ read.weights))
    centred = read.read_mm - mean.value
    variance = float(np.average(centred**2, weights=read.weights))
    return max(2.0, min(most, variance / mean.error**2)) if mean.error > 0 else most


def _standard(quantiles: Array) -> Array:
    """Brought to mean 0 and standard deviation 1 along the last axis."""
    centred = quantiles - quantiles.mean(axis=-1, keepdims=True)
    deviation = centred.std(axis=-1, keepdims=True)
    return np.asarray(centred / np.where(deviation > 0, deviation, 1.0))


def _bends(found: TrueSizes) -> Array:
    """Principal components of the shapes of trees drawn again."""
    shapes = _standard(found.resampled_quantiles_mm(points(QUANTILES)))
    away = shapes - shapes.mean(axis=0)
    _, sizes, ways = np.linalg.svd(away / len(away) ** 0.5, full_matrices=False)
    at = points(BEND_POINTS)
    return np.array(
        [
            np.interp(at, points(QUANTILES), size * way)
            for size, way in zip(sizes[:BENDS], ways[:BENDS], strict=True)
        ]
    )

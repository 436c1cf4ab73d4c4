"""Errors of what a walk says of a block, relative, and what more work would leave of them.

The range is that of the crop in tonnes on the day of the walk: fruit per tree, and the mean
diameter with three times its relative error, since mass goes with its cube.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from scipy.special import ndtri, stdtrit

from fruitvision.domain import BlockEstimate, Doubt

# Fruit to caliper on a tree. Common practice.
FRUIT_PER_CALIPERED_TREE = 10
# Tree means of the diameter stray by about 3 % from the block's. Our choice, as in block.py.
TREE_SPREAD_OF_DIAMETER = 0.03
# Mass goes with the third power of the diameter.
POWER = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleErrors:
    """Relative errors of a block's crop, and the sample sizes that they hang on.

    `size_freedom` : degrees of freedom of `size_sampling`, which is that of the calipered trees
    where there are some (`by_calipers`): more photographed trees do not shrink it. `trees`,
    `counted` and `population` are panels where panels were photographed.
    """

    sampling: float
    calibration: float
    size_sampling: float
    size_shared: float
    size_freedom: float
    by_calipers: bool
    trees: int
    counted: int
    population: float

    def half_range(self) -> float:
        """Half-width of P10-P90, relative, with Student's t by Satterthwaite's degrees."""
        parts = (
            (self.sampling, self.trees - 1),
            (self.calibration, self.counted - 1),
            (POWER * self.size_sampling, self.size_freedom),
        )
        return math.hypot(_half_range(parts), float(ndtri(0.9)) * POWER * self.size_shared)

    def half_range_of_load(self) -> float:
        """Half-width of P10-P90 of fruit per tree alone, relative."""
        return _half_range(((self.sampling, self.trees - 1), (self.calibration, self.counted - 1)))


def _half_range(parts: Sequence[tuple[float, float]]) -> float:
    """Of a sum of independent parts, each a relative error with its degrees of freedom."""
    own = sum(error**2 for error, _ in parts)
    spread = sum(error**4 / max(freedom, 1) for error, freedom in parts)
    freedom = max(1.0, own**2 / spread) if spread > 0 else 1.0
    return float(stdtrit(freedom, 0.9) * own**0.5)


def errors_of(estimate: BlockEstimate) -> SampleErrors:
    """The errors of a block's latest walk."""
    mean = max(estimate.fruit_per_tree_mean, 1e-9)
    sampling = estimate.sampling_error / mean
    calibration = max(0.0, (estimate.fruit_per_tree_error / mean) ** 2 - sampling**2) ** 0.5
    sizes = estimate.sizes
    population = estimate.bearing_trees or float(estimate.block.bearing_trees)
    population /= estimate.trees_per_place
    return SampleErrors(
        sampling=sampling,
        calibration=calibration,
        size_sampling=sizes.mean_error_mm / sizes.mean_mm if sizes else 0.0,
        size_shared=sizes.shared_error if sizes else 0.0,
        size_freedom=sizes.freedom if sizes else 1.0,
        by_calipers=sizes is not None and Doubt.NO_CALIPERS not in sizes.doubts,
        trees=estimate.trees,
        counted=estimate.factor.trees if estimate.factor else 0,
        population=max(population, float(estimate.trees)),
    )


def with_trees(errors: SampleErrors, more: int) -> SampleErrors:
    """More photographed trees: the finite block is in, hand counts stay as they are."""
    have, then = errors.trees, errors.trees + more
    now_part = 1 / have - 1 / errors.population
    then_part = max(0.0, 1 / then - 1 / errors.population)
    return replace(
        errors,
        sampling=errors.sampling * (then_part / now_part if now_part > 0 else 0.0) ** 0.5,
        size_sampling=errors.size_sampling * (1.0 if errors.by_calipers else (have / then) ** 0.5),
        size_freedom=errors.size_freedom + (0 if errors.by_calipers else more),
        trees=then,
    )


def with_counts(errors: SampleErrors, more: int) -> SampleErrors:
    """More hand counts on photographed trees: the two-phase part 1/m - 1/n shrinks."""
    counted = max(errors.counted, 1)
    now_part = 1 / counted - 1 / max(errors.trees, counted + 1)
    then_part = max(0.0, 1 / (counted + more) - 1 / max(errors.trees, counted + more))
    return replace(
        errors,
        calibration=errors.calibration * (then_part / now_part if now_part > 0 else 0.0) ** 0.5,
        counted=counted + more,
    )


def with_walk(errors: SampleErrors, *, trees: int, counts: int) -> SampleErrors:
    """So many more photographed trees, and so many more hand counts on any of them.

    The two-phase part goes from 1/m - 1/n to 1/m' - 1/n', and never grows: photos alone leave it.
    """
    counted = max(errors.counted, 1)
    now_part = 1 / counted - 1 / max(errors.trees, counted + 1)
    most = max(errors.trees + trees, counted + counts)
    then_part = max(0.0, 1 / (counted + counts) - 1 / most)
    walked = with_trees(errors, trees) if trees else errors
    return replace(
        walked,
        calibration=errors.calibration * min(1.0, then_part / now_part) ** 0.5,
        counted=errors.counted + counts,
    )


def with_calipers(estimate: BlockEstimate, errors: SampleErrors, more: int) -> SampleErrors:
    """Ten fruit on so many trees check the photo millimetres: both weighted by their variance."""
    sizes = estimate.sizes
    if sizes is None:
        return errors
    within = (sizes.sd_mm / sizes.mean_mm) ** 2 / FRUIT_PER_CALIPERED_TREE
    by_hand = (TREE_SPREAD_OF_DIAMETER**2 + within) / more
    weight = 1 - by_hand / (by_hand + errors.size_sampling**2 + errors.size_shared**2)
    return replace(
        errors,
        size_sampling=math.hypot((1 - weight) * errors.size_sampling, weight * by_hand**0.5),
        size_shared=(1 - weight) * errors.size_shared,
        size_freedom=more - 1 + (errors.size_freedom if errors.by_calipers else 0.0),
    )

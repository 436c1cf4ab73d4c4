"""What a block would be known to after one more measure, with the same random numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from scipy.special import stdtrit

from fruitvision.advice import Work
from fruitvision.domain import BlockEstimate
from fruitvision.sample_errors import (
    SampleErrors,
    errors_of,
    with_calipers,
    with_walk,
)
from fruitvision.settings import Settings

# How much of each work is weighed against the others. Our choice: an amount that somebody goes out
# for; about half an hour of photos or calipers, an hour of counts.
TREES, COUNTS, CALIPERED = 10, 5, 5
# Quantile of P90.
P90 = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One more measure of a block: what, how much of it, minutes with the way there."""

    work: Work
    more: int
    minutes: float


def measures_of(
    estimate: BlockEstimate, settings: Settings
) -> Iterator[tuple[Measure, BlockEstimate]]:
    """Every measure that the block has room for, and the estimate that it is expected to leave.

    The means stay, the errors shrink as `sample_errors` says. Errors are scaled by their P10 to
    P90, Student's t included, and keep their degrees of freedom: drawn with the same random
    numbers, a block then differs by what is measured and by nothing else.
    """
    now = errors_of(estimate)
    trees = min(TREES, int(now.population) - now.trees)
    if trees > 0:
        minutes = trees * settings.photo_tree_min + settings.way_to_block_min
        yield (
            Measure(work=Work.PHOTOGRAPH, more=trees, minutes=minutes),
            _narrowed(estimate, now, with_walk(now, trees=trees, counts=0)),
        )
    counts = min(COUNTS, now.trees - now.counted)
    if counts > 0 and estimate.factor is not None:
        minutes = counts * settings.hand_count_min + settings.way_to_block_min
        yield (
            Measure(work=Work.COUNT, more=counts, minutes=minutes),
            _narrowed(estimate, now, with_walk(now, trees=0, counts=counts)),
        )
    if estimate.sizes is not None:
        minutes = CALIPERED * settings.caliper_tree_min + settings.way_to_block_min
        yield (
            Measure(work=Work.CALIPER, more=CALIPERED, minutes=minutes),
            _narrowed(estimate, now, with_calipers(estimate, now, CALIPERED)),
        )


def _narrowed(estimate: BlockEstimate, now: SampleErrors, then: SampleErrors) -> BlockEstimate:
    load = _ratio(now.half_range_of_load(), then.half_range_of_load())
    sizes = estimate.sizes
    if sizes is not None:
        sizes = replace(
            sizes,
            mean_error_mm=sizes.mean_error_mm * _ratio(_half_of_size(now), _half_of_size(then)),
            shared_error=sizes.shared_error * _ratio(now.size_shared, then.size_shared),
        )
    return replace(
        estimate,
        fruit_per_tree_error=estimate.fruit_per_tree_error * load,
        sampling_error=estimate.sampling_error * load,
        sizes=sizes,
    )


def _half_of_size(errors: SampleErrors) -> float:
    return float(stdtrit(max(1.0, errors.size_freedom), P90)) * errors.size_sampling


def _ratio(now: float, then: float) -> float:
    """Never above 1: no measure makes a block less known."""
    return min(1.0, then / now) if now > 0 else 1.0

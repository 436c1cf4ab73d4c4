"""The fruit by diameter: as they hung on the day of the walk, and as they come in at the pick.

Drawn with the random numbers of the forecast, so that it is the same crop: the share of the fruit
in each step of the diameter, draw by draw, and P10, P50 and P90 over the draws. The P50 of the
steps need not add up to one, since each has its own middle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import BlockInputs, Estimate, SizeClass, SizeDistribution, SizeTable
from fruitvision.forecast.draw import days_late, fruit_today, hanging_fruit, picked_parts
from fruitvision.forecast.packout import DrawnSizes, sort_into_classes
from fruitvision.forecast.season import Season
from fruitvision.forecast.shared import SharedErrors, draw_shared
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Ends of the steps are multiples of the step within these, mm: no apple is smaller at a walk that
# sizes fruit, or larger. Our choice.
SMALLEST_MM, LARGEST_MM = 10.0, 140.0
# Steps in which not even one fruit of a thousand hangs or is picked at P90 are left out.
LEAST_SHARE = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeBand:
    """Share of the fruit from `low_mm` to below `high_mm`: on the day of the walk, of the hanging
    ones, and at the pick, of those that come in."""

    low_mm: float
    high_mm: float
    at_walk: Estimate
    at_pick: Estimate


def size_bands(
    inputs: Sequence[BlockInputs], settings: Settings, *, step_mm: float
) -> tuple[SizeBand, ...]:
    """Steps of the diameter from the smallest to the largest that holds fruit.

    Blocks are added draw by draw, each with its own day of walk and its own passes.

    Parameters
    ----------
    inputs : sequence of BlockInputs
        The blocks of a variety, or of the farm, as a forecast was drawn from them.
    settings : Settings
        Those of the forecast; with its seed.
    step_mm : float
        Width of a step, above 0.

    Returns
    -------
    tuple of SizeBand
        None at all if a block has no sizes: the rest would read as if it were the whole.
    """
    sized = [(one, one.estimate.sizes) for one in inputs]
    table, shared = _steps(step_mm), draw_shared(settings)
    fruit = [
        _block(one, sizes, table, settings, shared) for one, sizes in sized if sizes is not None
    ]
    if not fruit or len(fruit) < len(sized):
        return ()
    at_walk, at_pick = (_shares(of_blocks) for of_blocks in zip(*fruit, strict=True))
    inside = (at_walk[2] >= LEAST_SHARE) | (at_pick[2] >= LEAST_SHARE)
    if not inside.any():
        return ()
    first, last = np.flatnonzero(inside)[[0, -1]]
    return tuple(
        SizeBand(
            low_mm=table.classes[index].low,
            high_mm=table.classes[index].high,
            at_walk=Estimate(*map(float, at_walk[:, index])),
            at_pick=Estimate(*map(float, at_pick[:, index])),
        )
        for index in range(first, last + 1)
    )


def _steps(step_mm: float) -> SizeTable:
    """A size table whose classes are the steps."""
    first, last = np.floor(SMALLEST_MM / step_mm), np.ceil(LARGEST_MM / step_mm)
    limits = step_mm * np.arange(first, last + 1)
    return SizeTable(
        name="steps",
        unit="mm",
        carton_kg=1.0,
        classes=tuple(
            SizeClass(name=f"{low:g}", low=float(low), high=float(high), fruit_per_carton=1)
            for low, high in pairwise(limits)
        ),
    )


def _shares(fruit: Sequence[Array]) -> Array:
    """P10, P50 and P90 of the share of each step, (3, steps), from the fruit of each block."""
    total = np.sum(fruit, axis=0)
    shares = total / np.maximum(total.sum(axis=1, keepdims=True), 1e-9)
    return np.asarray(np.quantile(shares[:, 1:-1], (0.1, 0.5, 0.9), axis=0))


def _block(
    inputs: BlockInputs,
    sizes: SizeDistribution,
    table: SizeTable,
    settings: Settings,
    shared: SharedErrors,
) -> tuple[Array, Array]:
    """Fruit of a block by step, (draws, steps + 2): hanging on the day of the walk, and picked."""
    season = Season(inputs, sizes, settings, shared)
    now = DrawnSizes(
        mean_mm=season.mean_mm,
        stretch=season.stretch,
        factor=season.factor,
        power=inputs.weight.power,
    )
    sorted_now = sort_into_classes(season.nodes, season.nodes.weights, now, table)
    walked = fruit_today(inputs, settings)[:, np.newaxis] * sorted_now.shares
    picked = np.zeros_like(walked)
    hanging = hanging_fruit(inputs, settings, shared)
    parts = picked_parts(inputs, shared)
    for pick, weights, part in zip(inputs.plan.picks, season.taken(), parts, strict=True):
        at_pick = season.at_pick(pick.pick_date, days_late(pick.date_error_days, shared))
        found = sort_into_classes(season.nodes, weights, at_pick, table)
        picked += (hanging * part)[:, np.newaxis] * found.shares
    return walked, picked

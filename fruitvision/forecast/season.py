"""Sizes of one block from its walk to each of its picks, in every draw of the simulation."""

from __future__ import annotations

from datetime import date

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import (
    BlockEstimate,
    BlockInputs,
    Doubt,
    GrowthRate,
    SizeDistribution,
    WeightRule,
)
from fruitvision.forecast.growth import growing_mm, growth_shift_mm, is_own
from fruitvision.forecast.learned import expected_offset_mm, size_offset_mm
from fruitvision.forecast.packout import DrawnSizes, FruitNodes, fruit_nodes
from fruitvision.forecast.picks import pick_weights
from fruitvision.forecast.shared import SharedErrors, named_normal, named_rng
from fruitvision.settings import Settings

Array = NDArray[np.float64]

SMALLEST_MM = 1.0


class Season:
    """Sizes of one block through its season: today's shape and errors, and how they grow."""

    def __init__(
        self, inputs: BlockInputs, sizes: SizeDistribution, settings: Settings, shared: SharedErrors
    ) -> None:
        self.inputs, self.settings, self.shared = inputs, settings, shared
        self.sizes = sizes
        self.nodes: FruitNodes = fruit_nodes(
            sizes.quantiles_mm, mean_mm=sizes.mean_mm, scatter=inputs.weight.scatter
        )
        self.mean_mm, self.stretch = draw_sizes(sizes, inputs, settings, shared)
        self.factor = _mass_factor(inputs.weight, inputs.estimate, settings, shared)
        self.rate = _growth_rate(inputs.growth, inputs.estimate, settings, shared)
        self._sd_mm = float(self.nodes.deviations_mm.std())
        # The block's own rate was measured on the fruit whose mean is in doubt: if they are larger
        # than they seem, so was their gain of D³, and the same mm remain. Another rate stands.
        own = is_own(inputs.growth)
        self._expected_growing_mm = growing_mm(inputs.growth, sizes, sd_mm=self._sd_mm)
        self._growing_mm = (
            np.full_like(self.mean_mm, self._expected_growing_mm) if own else self.mean_mm
        )

    def at_pick(self, pick_date: date, days_late: NDArray[np.int64]) -> DrawnSizes:
        """Sizes on the day of a pass in every draw: the mean cube grows, fruit by the same mm."""
        ahead = (pick_date - self.sizes.measured_on).days + days_late
        days = np.maximum(ahead, 0).astype(float)
        shift = growth_shift_mm(self._growing_mm, self.stretch * self._sd_mm, self.rate * days)
        shift += self.settings.projection_error_mm_per_day * days * self.shared.season
        learned = size_offset_mm(self.inputs, self.settings)
        return DrawnSizes(
            mean_mm=np.maximum(self.mean_mm + np.maximum(shift, 0.0) + learned, SMALLEST_MM),
            stretch=self.stretch,
            factor=self.factor,
            power=self.inputs.weight.power,
        )

    def expected_mm(self, pick_date: date) -> float:
        """Mean diameter at a pass without any error."""
        days = max(0, (pick_date - self.sizes.measured_on).days)
        gain_mm3 = self.inputs.growth.mm3_per_day * days
        shift = growth_shift_mm(self._expected_growing_mm, self._sd_mm, gain_mm3)
        return self.sizes.mean_mm + float(shift) + expected_offset_mm(self.inputs)

    def taken(self) -> Array:
        """Share of the crop that each pass takes from each node: (passes, nodes, levels)."""
        weight, plan = self.inputs.weight, self.inputs.plan
        masses = [
            self.nodes.masses_g(
                mean_mm=self.expected_mm(pick.pick_date), factor=weight.factor, power=weight.power
            )
            for pick in plan.picks
        ]
        shape = self.nodes.weights.shape
        flat = pick_weights(
            np.array([mass.ravel() for mass in masses]), self.nodes.weights.ravel(), plan
        )
        return flat.reshape(len(masses), *shape)


def draw_sizes(
    sizes: SizeDistribution, inputs: BlockInputs, settings: Settings, shared: SharedErrors
) -> tuple[Array, Array]:
    """Mean diameter on the day of the walk, and the stretch of the spread, (draws,) each."""
    name = inputs.estimate.block.block_id
    draws = settings.draws
    student = named_rng(settings, "size", name).standard_t(sizes.freedom, draws)
    mean = sizes.mean_mm * (1 + sizes.shared_error * shared.scale) + sizes.mean_error_mm * student
    # Lognormal, so that the spread stays above 0.
    stretch = np.exp(sizes.spread_error * named_normal(settings, "spread", name))
    return np.maximum(mean, SMALLEST_MM), stretch


def _mass_factor(
    weight: WeightRule, estimate: BlockEstimate, settings: Settings, shared: SharedErrors
) -> Array:
    """The mass rule with its error: one for the general rule, one for each variety's own."""
    own = Doubt.DEFAULT_WEIGHT not in weight.doubts
    normal = named_normal(settings, "weight", estimate.block.variety) if own else shared.mass
    return np.asarray(weight.factor * np.maximum(1 + weight.factor_error * normal, 0.05))


def _growth_rate(
    growth: GrowthRate, estimate: BlockEstimate, settings: Settings, shared: SharedErrors
) -> Array:
    """The growth rate with its error: shared where it is not the block's own."""
    block = estimate.block
    if Doubt.DEFAULT_GROWTH in growth.doubts:
        normal = shared.growth
    elif not is_own(growth):
        normal = named_normal(settings, "growth of", block.group or block.variety)
    else:
        normal = named_normal(settings, "growth", block.block_id)
    return np.asarray(np.maximum(growth.mm3_per_day + growth.mm3_per_day_error * normal, 0.0))

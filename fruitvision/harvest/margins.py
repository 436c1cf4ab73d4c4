"""Whether a pass pays: what its cartons bring, less what it costs to pick and to pack.

margin = Σ cartons of a class × price − cartons × packing − bins × picking, draw by draw, with the
user's own prices and costs. Late passes bring small fruit that may not pay. Not in it: what culls
bring (juice), what is spent either way (land, trees, earlier passes), and what fruit that is left
hanging does to next year's crop.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from fruitvision.domain import BlockInputs, CartonPrice, Estimate, Forecast, PickPlan
from fruitvision.forecast.draw import FEWEST_TREES, draw_unchecked
from fruitvision.forecast.drawn_with import DrawnWith, drawn_again_with
from fruitvision.forecast.grades import graded
from fruitvision.forecast.shared import SharedErrors, draw_shared
from fruitvision.forecast.summary import estimate_of
from fruitvision.settings import Settings
from fruitvision.worth.prices import Prices, value_of

# A pass of fewer bins than this has no margin a bin. Our choice.
FEWEST_BINS = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class PassMargin:
    """What a bin of a pass leaves, in the farm's currency.

    `chance_below` is the chance that the pass leaves less than nothing. `first_look` : on so few
    trees that cartons by class are a guess. `lacking` : classes without a price, which count as
    worth nothing.
    """

    block_id: str
    variety: str
    number: int
    passes: int
    pick_date: date
    bins: Estimate
    per_bin: Estimate
    chance_below: float
    first_look: bool
    lacking: tuple[str, ...]

    @property
    def is_marginal(self) -> bool:
        """Whether it more likely costs than brings something."""
        return self.per_bin.p50 < 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """Passes of blocks with prices, by block and number.

    `unpriced` are blocks without any price or without cartons by class. `pick_cost_per_bin` and
    `pack_cost_per_carton` are what was reckoned with.
    """

    passes: tuple[PassMargin, ...]
    unpriced: tuple[str, ...]
    pick_cost_per_bin: float
    pack_cost_per_carton: float

    @property
    def marginal(self) -> tuple[PassMargin, ...]:
        """Passes that more likely cost than bring something, the worst first."""
        found = (one for one in self.passes if one.is_marginal)
        return tuple(sorted(found, key=lambda one: one.per_bin.p50))


def pass_margins(
    forecast: Forecast,
    lines: Sequence[CartonPrice],
    settings: Settings,
    *,
    plans: Mapping[str, PickPlan] | None = None,
) -> Margins | None:
    """What each pass leaves; None where prices, or both costs, are not set.

    Parameters
    ----------
    lines : sequence of CartonPrice
        The farm's prices.
    settings : Settings
        The farm's own today, for what picking and packing cost. All else is the forecast's.
    plans : mapping, optional
        Other passes for some blocks than those of the forecast.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    prices = Prices(lines)
    if not prices or not (settings.pick_cost_per_bin or settings.pack_cost_per_carton):
        return None
    made_with = drawn_again_with(forecast)
    shared = draw_shared(made_with.settings)
    found: list[PassMargin] = []
    unpriced: list[str] = []
    for inputs in forecast.inputs:
        name = inputs.estimate.block.block_id
        planned = replace(inputs, plan=(plans or {}).get(name, inputs.plan))
        of_block = _of_block(planned, made_with, shared, prices, settings)
        found += of_block
        if not of_block:
            unpriced.append(name)
    return Margins(
        passes=tuple(found),
        unpriced=tuple(unpriced),
        pick_cost_per_bin=settings.pick_cost_per_bin,
        pack_cost_per_carton=settings.pack_cost_per_carton,
    )


def _of_block(
    inputs: BlockInputs,
    made_with: DrawnWith,
    shared: SharedErrors,
    prices: Prices,
    settings: Settings,
) -> list[PassMargin]:
    """The passes of a block; none where no carton of it has a price, or its cartons are unknown."""
    table, block = made_with.table, inputs.estimate.block
    crop = draw_unchecked(inputs, table, made_with.settings, shared)
    found = []
    for number, (pick, one) in enumerate(zip(inputs.plan.picks, crop.passes, strict=True), start=1):
        if one.cartons is None or one.tonnes is None:
            return []
        grades = graded(one.cartons, inputs.grades, table)
        value, lacking = value_of(one.cartons, grades, block.variety, prices, table)
        if not value.any() and lacking:
            return []
        bins = 1000 * one.tonnes / made_with.settings.bin_kg
        packing = settings.pack_cost_per_carton * one.cartons.sum(axis=1)
        margin = value - packing - settings.pick_cost_per_bin * bins
        if float(np.median(bins)) < FEWEST_BINS:
            continue
        found.append(
            PassMargin(
                block_id=block.block_id,
                variety=block.variety,
                number=number,
                passes=len(inputs.plan.picks),
                pick_date=pick.pick_date,
                bins=estimate_of(bins),
                per_bin=estimate_of(margin / np.maximum(bins, FEWEST_BINS)),
                chance_below=float((margin < 0).mean()),
                first_look=inputs.estimate.trees < FEWEST_TREES,
                lacking=lacking,
            )
        )
    return found

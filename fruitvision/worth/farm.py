"""What the farm's value hangs on: how far each block's may be off, and what pays to measure next.

A block's **value** is its cartons times their prices. What is **at stake** is its standard
deviation over the draws of the forecast's own simulation: what a plan that is made on the mean is
usually off by. Errors that blocks share (season, weight rule, culls, marker) were drawn once for
all, so that blocks do not add up as if each erred alone; a block's part of the farm's stake is
cov(block, farm) ÷ sd(farm), and these parts add up to the farm's (Euler's theorem for a function of
degree one; the usual split of risk among the parts of a whole, as in Tasche 1999, "Risk
contributions and performance measurement").

What a **measure** is expected to leave is drawn again with smaller errors and the same random
numbers; measures are ranked by what they take off a block's stake per hour, the way there included.

Without prices every carton counts alike, and what is at stake is cartons.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import BlockInputs, CartonPrice, Estimate, Forecast, SizeTable
from fruitvision.forecast.draw import FEWEST_TREES, draw_unchecked
from fruitvision.forecast.drawn_with import DrawnWith, drawn_again_with
from fruitvision.forecast.shared import SharedErrors, draw_shared
from fruitvision.forecast.summary import estimate_of
from fruitvision.forecast.uses import is_past, is_picked
from fruitvision.settings import Settings
from fruitvision.worth.measure import Measure, measures_of
from fruitvision.worth.prices import Prices, unused_classes, value_of

Array = NDArray[np.float64]

# Draws. Our choice: a standard deviation is then known to 2 %, and what a measure takes off it to
# much less, since the random numbers are the same on both sides.
MOST_DRAWS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class WorthOfMeasure:
    """A measure, what it is expected to leave at stake in its block, and what it takes off."""

    measure: Measure
    at_stake_then: float
    narrows_by: float
    per_hour: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockWorth:
    """A block's value and what is at stake, in the farm's currency or in cartons.

    Attributes
    ----------
    part_of_farm : float
        Its part of the farm's stake; the parts of all blocks add up to it.
    per_fruit : float
        What a picked fruit is worth on average.
    first_look : bool
        On so few trees that its cartons by class, and with them prices, are a guess.
    past, picked : bool
        Picked when the forecast was made, by plan or as somebody said: there is nothing to measure.
        `picked` where somebody said so.
    measures : tuple of WorthOfMeasure
        Those that take something off, the most per hour first.
    """

    block_id: str
    variety: str
    value: Estimate
    mean: float
    at_stake: float
    part_of_farm: float
    per_fruit: float
    first_look: bool
    past: bool
    picked: bool
    measures: tuple[WorthOfMeasure, ...]

    @property
    def best_per_hour(self) -> float:
        """What the best measure takes off per hour; 0 where none does."""
        return self.measures[0].per_hour if self.measures else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmWorth:
    """What the farm's value hangs on.

    Attributes
    ----------
    in_money : bool
        False where there are no prices: cartons are counted then.
    at_stake, at_stake_alone : float
        The farm's stake, and what it would be if blocks erred each alone.
    blocks : tuple of BlockWorth
        What pays most to measure first.
    unknown : tuple of str
        Blocks whose cartons are not known: no hand counts, or no sizes.
    unpriced : tuple of str
        Blocks of varieties without any price.
    lacking : mapping of str to tuple of str
        Classes without a price by variety: they count as worth nothing.
    unused : tuple of str
        Classes that prices name and the size table lacks.
    """

    forecast_id: str
    in_money: bool
    value: Estimate | None
    mean: float
    at_stake: float
    at_stake_alone: float
    blocks: tuple[BlockWorth, ...]
    unknown: tuple[str, ...] = ()
    unpriced: tuple[str, ...] = ()
    lacking: Mapping[str, tuple[str, ...]]
    unused: tuple[str, ...] = ()


def worth_of_farm(
    forecast: Forecast, lines: Sequence[CartonPrice], settings: Settings
) -> FarmWorth:
    """The value of a forecast by block, what is at stake, and what pays to measure next.

    Parameters
    ----------
    forecast : Forecast
        A kept one, with what it was drawn from.
    lines : sequence of CartonPrice
        Prices; none: cartons count alike.
    settings : Settings
        The farm's own today, for minutes of work. All else is the forecast's.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    work = _Work(drawn_again_with(forecast), Prices(lines))
    found: list[_Drawn] = []
    unknown: list[str] = []
    unpriced: list[str] = []
    for inputs in forecast.inputs:
        drawn = work.draw(inputs)
        if drawn is None:
            unknown.append(inputs.estimate.block.block_id)
        elif work.prices and not drawn.value.any() and drawn.lacking:
            unpriced.append(inputs.estimate.block.block_id)
        else:
            found.append(drawn)
    total: Array = np.sum([one.value for one in found], axis=0) if found else np.zeros(1)
    past = {one.name: is_picked(one) for one in forecast.blocks if is_past(one)}
    blocks = [_block(one, total, work, settings, past) for one in found]
    value = estimate_of(total) if found else None
    if not work.prices:
        # Cartons as the forecast itself tells them: it has more draws.
        known = {one.name: one.cartons for one in forecast.blocks}
        blocks = [replace(one, value=known.get(one.block_id) or one.value) for one in blocks]
        value = (forecast.total.cartons if found and not unknown else None) or value
    return FarmWorth(
        forecast_id=forecast.forecast_id,
        in_money=bool(work.prices),
        value=value,
        mean=float(total.mean()),
        at_stake=float(total.std()),
        at_stake_alone=sum(one.at_stake**2 for one in blocks) ** 0.5,
        blocks=tuple(sorted(blocks, key=lambda one: (-one.best_per_hour, one.block_id))),
        unknown=tuple(unknown),
        unpriced=tuple(unpriced),
        lacking=_lacking(found),
        unused=unused_classes(lines, work.table),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Drawn:
    inputs: BlockInputs
    value: Array
    fruit: Array
    lacking: tuple[str, ...]


class _Work:
    """All that a block is drawn with."""

    def __init__(self, made_with: DrawnWith, prices: Prices) -> None:
        draws = min(made_with.settings.draws, MOST_DRAWS)
        self.settings = replace(made_with.settings, draws=draws)
        self.table: SizeTable = made_with.table
        self.prices = prices
        self.shared: SharedErrors = draw_shared(self.settings)

    def draw(self, inputs: BlockInputs) -> _Drawn | None:
        """A block's value; None where its cartons are not known."""
        crop = draw_unchecked(inputs, self.table, self.settings, self.shared)
        if crop.cartons is None:
            return None
        if not self.prices:
            cartons = crop.cartons.sum(axis=1)
            return _Drawn(inputs=inputs, value=cartons, fruit=crop.fruit, lacking=())
        variety = inputs.estimate.block.variety
        value, lacking = value_of(crop.cartons, crop.grades, variety, self.prices, self.table)
        return _Drawn(inputs=inputs, value=value, fruit=crop.fruit, lacking=lacking)


def _block(
    drawn: _Drawn, total: Array, work: _Work, settings: Settings, over: Mapping[str, bool]
) -> BlockWorth:
    block, at_stake = drawn.inputs.estimate.block, float(drawn.value.std())
    past = block.block_id in over
    farm = float(total.std())
    together = float(np.mean((drawn.value - drawn.value.mean()) * (total - total.mean())))
    measures = []
    for measure, estimate in () if past else measures_of(drawn.inputs.estimate, settings):
        then = work.draw(replace(drawn.inputs, estimate=estimate))
        left = at_stake if then is None else float(then.value.std())
        if left < at_stake:
            measures.append(
                WorthOfMeasure(
                    measure=measure,
                    at_stake_then=left,
                    narrows_by=at_stake - left,
                    per_hour=(at_stake - left) / (measure.minutes / 60),
                )
            )
    return BlockWorth(
        block_id=block.block_id,
        variety=block.variety,
        value=estimate_of(drawn.value),
        mean=float(drawn.value.mean()),
        at_stake=at_stake,
        part_of_farm=together / farm if farm > 0 else 0.0,
        per_fruit=float(drawn.value.mean()) / max(float(drawn.fruit.mean()), 1e-9),
        first_look=drawn.inputs.estimate.trees < FEWEST_TREES,
        past=past,
        picked=over.get(block.block_id, False),
        measures=tuple(sorted(measures, key=lambda one: -one.per_hour)),
    )


def _lacking(found: Sequence[_Drawn]) -> dict[str, tuple[str, ...]]:
    by_variety: dict[str, dict[str, None]] = {}
    for one in found:
        if one.lacking:
            variety = by_variety.setdefault(one.inputs.estimate.block.variety, {})
            variety.update(dict.fromkeys(one.lacking))
    return {variety: tuple(classes) for variety, classes in by_variety.items()}

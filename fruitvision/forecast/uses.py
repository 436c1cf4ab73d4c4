"""The number that each user of a forecast works with: sales, crew planner, whoever orders bins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

from fruitvision.domain import CropForecast, Doubt, Forecast, UseQuantiles
from fruitvision.forecast.words import quantile_of_use

# What each use looks at.
UNIT_OF_USE = {"promise": "cartons", "labour": "bins", "bins": "bins"}
WORDS_OF_USE = {"promise": "to promise", "labour": "to plan crews for", "bins": "bins to order"}


@dataclass(frozen=True, slots=True, kw_only=True)
class UseNumber:
    """One number for one use. `quantile` is the chance that less comes in; `level` is block,
    variety or farm."""

    level: str
    name: str
    use: str
    quantile: float
    value: float
    unit: str


def is_first_look(block: CropForecast) -> bool:
    """Whether a block was photographed on too few trees to promise anything of it."""
    return Doubt.FEW_TREES in block.doubts


def is_past(block: CropForecast) -> bool:
    """Whether a block was picked when its forecast was made: by its own plan, so that nobody knows
    what of it hangs, or because somebody said so."""
    return Doubt.PAST_PICK in block.doubts or is_picked(block)


def is_picked(block: CropForecast) -> bool:
    """Whether somebody had marked the last pass through a block finished: the packing house tells
    what came in of it."""
    return Doubt.PICKED in block.doubts


def is_firm(block: CropForecast) -> bool:
    """Whether anything of a block may be promised."""
    return not is_first_look(block) and not is_past(block)


def to_promise(
    whole: CropForecast, blocks: Sequence[CropForecast], quantiles: UseQuantiles
) -> float | None:
    """Cartons that sales may promise of a block, a variety or the farm; None if not known.

    Nothing is promised of a block that is a first look, or whose pick was past. The others'
    numbers are added then: they are not all low at once, so the sum is on the safe side.

    Parameters
    ----------
    whole : CropForecast
        What the number is of.
    blocks : sequence of CropForecast
        The blocks that it is made of.
    """
    if whole.cartons is None:
        return None
    of_whole = quantile_of_use(whole.cartons, "promise", quantiles)
    firm = [one for one in blocks if is_firm(one)]
    if len(firm) == len(blocks):
        return of_whole
    of_firm = [quantile_of_use(one.cartons, "promise", quantiles) for one in firm if one.cartons]
    return min(of_whole, sum(of_firm))


def whole_number(value: float, use: str) -> int:
    """Whole cartons or bins: what is promised is rounded down, what is ordered up."""
    return floor(value + 1e-9) if use == "promise" else ceil(value - 1e-9)


def use_numbers(forecast: Forecast) -> tuple[UseNumber, ...]:
    """Numbers for every use of the farm, its varieties and blocks; none where cartons are unknown
    or the forecast has no quantiles (earlier versions)."""
    crops = [("farm", forecast.total, forecast.blocks)]
    crops += [("variety", crop, blocks_of(crop, forecast)) for crop in forecast.varieties]
    crops += [("block", crop, (crop,)) for crop in forecast.blocks]
    return tuple(number for one in crops for number in _of_crop(*one, forecast))


def blocks_of(variety: CropForecast, forecast: Forecast) -> tuple[CropForecast, ...]:
    """The blocks of a variety."""
    return tuple(one for one in forecast.blocks if one.variety == variety.variety)


def _of_crop(
    level: str, crop: CropForecast, blocks: Sequence[CropForecast], forecast: Forecast
) -> list[UseNumber]:
    quantiles = forecast.quantiles
    found = []
    for use, unit in UNIT_OF_USE.items():
        estimate = crop.cartons if unit == "cartons" else crop.bins
        if quantiles is not None and estimate is not None:
            value = quantile_of_use(estimate, use, quantiles)
            if use == "promise":
                value = to_promise(crop, blocks, quantiles) or 0.0
            found.append(
                UseNumber(
                    level=level,
                    name=forecast.farm if level == "farm" else crop.name,
                    use=use,
                    quantile=getattr(quantiles, use),
                    value=value,
                    unit=unit,
                )
            )
    return found

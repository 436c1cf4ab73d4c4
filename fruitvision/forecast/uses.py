"""The number that each user of a forecast works with: sales, crew planner, whoever orders bins."""

from __future__ import annotations

from dataclasses import dataclass

from fruitvision.domain import CropForecast, Forecast
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


def use_numbers(forecast: Forecast) -> tuple[UseNumber, ...]:
    """Numbers for every use of the farm, its varieties and blocks; none where cartons are unknown
    or the forecast has no quantiles (earlier versions)."""
    crops = [("farm", forecast.total)]
    crops += [("variety", crop) for crop in forecast.varieties]
    crops += [("block", crop) for crop in forecast.blocks]
    return tuple(number for level, crop in crops for number in _of_crop(level, crop, forecast))


def _of_crop(level: str, crop: CropForecast, forecast: Forecast) -> list[UseNumber]:
    quantiles = forecast.quantiles
    found = []
    for use, unit in UNIT_OF_USE.items():
        estimate = crop.cartons if unit == "cartons" else crop.bins
        if quantiles is not None and estimate is not None:
            found.append(
                UseNumber(
                    level=level,
                    name=forecast.farm if level == "farm" else crop.name,
                    use=use,
                    quantile=getattr(quantiles, use),
                    value=quantile_of_use(estimate, use, quantiles),
                    unit=unit,
                )
            )
    return found

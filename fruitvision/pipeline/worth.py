"""What the farm's value hangs on, from its latest forecast of record and its prices."""

from __future__ import annotations

from fruitvision.domain import Forecast
from fruitvision.errors import ForecastError
from fruitvision.pipeline.standing import forecast_of_record
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.worth import FarmWorth, worth_of_farm


def worth_now(store: Store, forecast: Forecast | None, settings: Settings) -> FarmWorth | None:
    """The value of a forecast at the farm's prices; None without a forecast.

    Raises
    ------
    ForecastError
        If the forecast was made by a version that did not keep what it was drawn from.
    """
    return None if forecast is None else worth_of_farm(forecast, store.prices(), settings)


def worth_if_known(store: Store, settings: Settings) -> FarmWorth | None:
    """The same of the latest forecast of record; None where there is none that can be drawn."""
    try:
        return worth_now(store, forecast_of_record(store), settings)
    except ForecastError:
        return None

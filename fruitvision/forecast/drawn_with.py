"""What a kept forecast was drawn with: with its inputs and seed it can be drawn again."""

from __future__ import annotations

from dataclasses import dataclass

from fruitvision.domain import Forecast, SizeTable
from fruitvision.errors import ForecastError, SettingsError
from fruitvision.settings import Settings, settings_from_text


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnWith:
    """The size table and the settings that a forecast was drawn with."""

    table: SizeTable
    settings: Settings


def drawn_with(forecast: Forecast) -> DrawnWith | None:
    """Size table and settings of a forecast; None where an earlier version did not keep them, or
    this one no longer knows one of them."""
    if forecast.table is None:
        return None
    try:
        settings = settings_from_text(forecast.settings_text)
    except SettingsError:
        return None
    return DrawnWith(table=forecast.table, settings=settings)


def drawn_again_with(forecast: Forecast) -> DrawnWith:
    """`drawn_with` for what needs it.

    Raises
    ------
    ForecastError
        If the forecast can't be drawn again.
    """
    found = drawn_with(forecast)
    if found is None or not forecast.inputs:
        raise ForecastError(
            f"Forecast {forecast.forecast_id} was made by an earlier version, which did not keep "
            "what it was drawn from.",
            fix="Make a new forecast.",
        )
    return found

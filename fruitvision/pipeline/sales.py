"""What sales works with: a forecast is frozen for it, and held against the one before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from fruitvision.domain import Forecast, FrozenForecast
from fruitvision.errors import ForecastError, StoreError, did_you_mean
from fruitvision.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class SoldFrom:
    """The forecast that sales works with.

    Attributes
    ----------
    frozen : FrozenForecast or None
        Who froze it and when; None where nothing is frozen, and `forecast` is the latest one of
        record.
    earlier, earlier_frozen
        The frozen version before it by the same size table, which changes are told from; None where
        there is none.
    newer : Forecast or None
        The latest forecast of record, if it is another one: made, but not frozen.
    """

    forecast: Forecast
    frozen: FrozenForecast | None = None
    earlier: Forecast | None = None
    earlier_frozen: FrozenForecast | None = None
    newer: Forecast | None = None


def of_record(forecasts: Sequence[Forecast]) -> tuple[Forecast, ...]:
    """Forecasts that are no what-if, in the order in which they were made."""
    return tuple(one for one in forecasts if not one.what_if)


def freeze(
    store: Store, forecast_id: str | None = None, *, by: str, at: datetime, note: str = ""
) -> FrozenForecast:
    """Make a kept forecast the one that sales works with.

    The same forecast with the same note as the last time is not frozen again.

    Parameters
    ----------
    forecast_id : str, optional
        Its version; the latest one of record if left out.
    by : str
        Who freezes it.
    at : datetime
        When, with a time zone.
    note : str
        Why, if somebody wants to say it.

    Raises
    ------
    StoreError
        If there is no such forecast.
    ForecastError
        If it is a what-if, or nobody's name is given.
    """
    forecast = kept_forecast(store.forecasts(), forecast_id)
    if forecast.what_if:
        raise ForecastError(
            f"Forecast {forecast.forecast_id} is a what-if ({forecast.what_if}).",
            fix="Freeze a forecast of record: sales promises what is planned, not what if.",
        )
    if not by.strip():
        raise ForecastError(
            "A frozen version bears a name.", fix="Give the name of who freezes it."
        )
    return store.save_frozen_forecast(
        FrozenForecast(
            forecast_id=forecast.forecast_id, frozen_by=by.strip(), frozen_at=at, note=note.strip()
        )
    )


def kept_forecast(forecasts: Sequence[Forecast], forecast_id: str | None) -> Forecast:
    """The forecast of that version, or the latest one of record.

    Parameters
    ----------
    forecast_id : str or None
        Its version, or its number, such as `2`.

    Raises
    ------
    StoreError
        If there is none.
    """
    if not forecasts:
        raise StoreError("There is no forecast yet.", fix="Make one: fruitvision forecast.")
    if forecast_id is None:
        return (of_record(forecasts) or forecasts)[-1]
    known = {one.forecast_id: one for one in forecasts}
    named = {str(one.number): one for one in forecasts if one.number} | known
    if forecast_id not in named:
        raise StoreError(
            f"No forecast has the version '{forecast_id}'.", fix=did_you_mean(forecast_id, known)
        )
    return named[forecast_id]


def sold_from(store: Store, number: int | None = None) -> SoldFrom | None:
    """What sales works with; None where there is no forecast of record.

    Parameters
    ----------
    number : int, optional
        Number of a frozen version; the latest one if left out.
    """
    forecasts = store.forecasts()
    known = {one.forecast_id: one for one in forecasts}
    latest = of_record(forecasts)[-1:]
    frozen = [one for one in store.frozen_forecasts() if one.forecast_id in known]
    if number is not None:
        frozen = [one for one in frozen if one.number <= number]
    if not frozen:
        return SoldFrom(forecast=latest[0]) if latest else None
    now = known[frozen[-1].forecast_id]
    before = [one for one in frozen if explains(known[one.forecast_id], now)]
    return SoldFrom(
        forecast=now,
        frozen=frozen[-1],
        earlier=known[before[-1].forecast_id] if before else None,
        earlier_frozen=before[-1] if before else None,
        newer=next((one for one in latest if one.forecast_id != now.forecast_id), None),
    )


def explains(earlier: Forecast, now: Forecast) -> bool:
    """Whether changes may be told from there: another one, by the same size table."""
    return earlier.forecast_id != now.forecast_id and earlier.size_table == now.size_table


def frozen_before(store: Store, sold: SoldFrom | None) -> tuple[Forecast, ...]:
    """Other versions that sales worked with before, the oldest first."""
    if sold is None:
        return ()
    known = {one.forecast_id: one for one in store.forecasts()}
    frozen = dict.fromkeys(one.forecast_id for one in store.frozen_forecasts())
    others = (name for name in frozen if name != sold.forecast.forecast_id)
    return tuple(known[name] for name in others if name in known)

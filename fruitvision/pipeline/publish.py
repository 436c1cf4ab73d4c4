"""A forecast gets its id, its number and its bridge, and is kept for good."""

from __future__ import annotations

import hashlib
from dataclasses import replace

from fruitvision.domain import Bridge, Forecast
from fruitvision.forecast.bridge import bridge
from fruitvision.forecast.drawn_with import drawn_with
from fruitvision.records import to_json
from fruitvision.store import Store


def published(forecast: Forecast, store: Store, *, keep: bool) -> Forecast:
    """The forecast with its id, number and bridge, and in the store.

    The id is made of the content without number and bridge, so that the same content is the same
    forecast, whatever was published in between.
    """
    content = hashlib.sha256(to_json(forecast).encode()).hexdigest()
    forecast = replace(forecast, forecast_id=f"{forecast.made_on:%Y-%m-%d}-{content[:8]}")
    kept = store.forecasts()
    again = [one for one in kept if one.forecast_id == forecast.forecast_id]
    if again:
        forecast = again[0]
    else:
        earlier = [one for one in kept if _explains(one, forecast)]
        forecast = replace(
            forecast,
            number=1 + max((one.number for one in kept), default=0) if keep else 0,
            bridge=_bridge(earlier[-1], forecast) if earlier else None,
        )
    if keep:
        store.save_forecast(forecast)
    return forecast


def _explains(earlier: Forecast, forecast: Forecast) -> bool:
    """Whether a bridge may start there: by the same size table, no what-if, with its inputs."""
    return bool(
        earlier.size_table == forecast.size_table and earlier.inputs and not earlier.what_if
    )


def _bridge(earlier: Forecast, forecast: Forecast) -> Bridge | None:
    now = drawn_with(forecast)
    before = drawn_with(earlier)
    if now is None:
        return None
    return bridge(earlier, forecast.inputs, now, earlier_with=before)

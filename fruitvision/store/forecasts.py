"""Published forecasts."""

from __future__ import annotations

from sqlalchemy import delete, func, select
from sqlalchemy.dialects.sqlite import insert

from fruitvision.domain import (
    Forecast,
)
from fruitvision.errors import StoreError
from fruitvision.store import rows, tables
from fruitvision.store.database import reading, writing
from fruitvision.store.part import StorePart


class ForecastsPart(StorePart):
    """Forecasts, each kept for good."""

    def save_forecast(self, forecast: Forecast) -> None:
        """Keep a forecast for good; one that is made again becomes the latest again.

        Raises
        ------
        StoreError
            If another forecast has this id: a published one is never changed.
        """
        query = select(tables.forecast).where(tables.forecast.c.forecast_id == forecast.forecast_id)
        with writing(self._engine, self._path) as connection:
            kept = connection.execute(query).mappings().first()
            if kept is not None and rows.forecast(kept) != forecast:
                raise StoreError(
                    f"Forecast {forecast.forecast_id} was published with other numbers.",
                    fix="Published forecasts stay: save the correction as a new forecast.",
                )
            latest = connection.scalar(select(func.max(tables.forecast.c.number)))
            if kept is None or kept["number"] != latest:
                again = tables.forecast.c.forecast_id == forecast.forecast_id
                connection.execute(delete(tables.forecast).where(again))
                connection.execute(insert(tables.forecast).values(rows.forecast_row(forecast)))

    def forecasts(self) -> tuple[Forecast, ...]:
        """All forecasts, in the order in which they were made and saved."""
        query = select(tables.forecast).order_by(
            tables.forecast.c.made_on, tables.forecast.c.number
        )
        with reading(self._engine, self._path) as connection:
            return tuple(map(rows.forecast, connection.execute(query).mappings()))

"""Published forecasts."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import delete, func, insert, select

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

    def newest_forecasts(self) -> Iterator[Forecast]:
        """All forecasts from the latest back, each read when it is asked for."""
        table = tables.forecast
        order = select(table.c.number).order_by(table.c.made_on.desc(), table.c.number.desc())
        with reading(self._engine, self._path) as connection:
            numbers = connection.execute(order).scalars().all()
        for number in numbers:
            query = select(table).where(table.c.number == number)
            with reading(self._engine, self._path) as connection:
                row = connection.execute(query).mappings().first()
            # One that is made again gets a new number: it was given already, or is older.
            if row is not None:
                yield rows.forecast(row)

    def forecasts(self) -> tuple[Forecast, ...]:
        """All forecasts, in the order in which they were made and saved."""
        query = select(tables.forecast).order_by(
            tables.forecast.c.made_on, tables.forecast.c.number
        )
        with reading(self._engine, self._path) as connection:
            return tuple(map(rows.forecast, connection.execute(query).mappings()))

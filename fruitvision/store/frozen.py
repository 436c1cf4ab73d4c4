"""Forecasts that were frozen for sales."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from sqlalchemy import Column, String, Table, insert, select

from fruitvision.domain import FrozenForecast
from fruitvision.store.columns import Whole
from fruitvision.store.database import reading, writing
from fruitvision.store.part import StorePart
from fruitvision.store.rows import FoundRow, NewRow
from fruitvision.store.tables import metadata

# The highest number is the version that sales works with.
frozen_forecast = Table(
    "frozen_forecast",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("forecast_id", String, nullable=False),
    Column("frozen_by", String, nullable=False),
    Column("frozen_at_utc", String, nullable=False),
    Column("note", String, nullable=False),
    sqlite_autoincrement=True,
)


class FrozenPart(StorePart):
    """Versions that sales works with, each with who and when."""

    def save_frozen_forecast(self, frozen: FrozenForecast) -> FrozenForecast:
        """Keep a frozen version as the latest, and give it with its number.

        The version that is the latest already, with the same note, is that one again: the first who
        froze it and when stay.
        """
        query = select(frozen_forecast).order_by(frozen_forecast.c.number.desc()).limit(1)
        with writing(self._engine, self._path) as connection:
            row = connection.execute(query).mappings().first()
            latest = None if row is None else _frozen(row)
            if latest is not None and _same(latest, frozen):
                return latest
            added = connection.execute(insert(frozen_forecast).values(_row(frozen)))
            (number,) = added.inserted_primary_key or (0,)
        return replace(frozen, number=int(number))

    def frozen_forecasts(self) -> tuple[FrozenForecast, ...]:
        """All frozen versions, the oldest first; nothing is ever taken from this list."""
        query = select(frozen_forecast).order_by(frozen_forecast.c.number)
        with reading(self._engine, self._path) as connection:
            return tuple(map(_frozen, connection.execute(query).mappings()))


def _same(latest: FrozenForecast, frozen: FrozenForecast) -> bool:
    return (latest.forecast_id, latest.note) == (frozen.forecast_id, frozen.note)


def _row(frozen: FrozenForecast) -> NewRow:
    return {
        "forecast_id": frozen.forecast_id,
        "frozen_by": frozen.frozen_by,
        "frozen_at_utc": frozen.frozen_at.astimezone(UTC).isoformat(),
        "note": frozen.note,
    }


def _frozen(row: FoundRow) -> FrozenForecast:
    return FrozenForecast(
        forecast_id=row["forecast_id"],
        frozen_by=row["frozen_by"],
        frozen_at=datetime.fromisoformat(row["frozen_at_utc"]),
        note=row["note"],
        number=row["number"],
    )

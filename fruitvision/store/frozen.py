"""Forecasts that were frozen for sales."""

from __future__ import annotations

from sqlalchemy import Column, Integer, String, Table

from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

# The highest number is the version that sales works with.
frozen_forecast = Table(
    "frozen_forecast",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("forecast_id", String, nullable=False),
    Column("frozen_by", String, nullable=False),
    Column("frozen_at_utc", String, nullable=False),
    Column("note", String, nullable=False),
    sqlite_autoincrement=True,
)


class FrozenPart(StorePart):
    """Versions that sales works with, each with who and when."""

"""Prices of cartons."""

from __future__ import annotations

from sqlalchemy import Column, Float, String, Table

from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

price = Table(
    "price",
    metadata,
    Column("variety", String, primary_key=True),
    Column("size_class", String, primary_key=True),
    Column("grade", String, primary_key=True),
    Column("per_carton", Float, nullable=False),
)


class PricesPart(StorePart):
    """What a carton brings."""

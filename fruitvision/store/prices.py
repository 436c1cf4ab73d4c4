"""Prices of cartons."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Column, Float, String, Table, delete, insert

from fruitvision.domain import CartonPrice
from fruitvision.records import from_plain
from fruitvision.store import rows
from fruitvision.store.database import writing
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

    def save_prices(self, prices: Iterable[CartonPrice]) -> None:
        """Keep these prices in place of all those before."""
        new_rows = [rows.plain_row(one) for one in prices]
        with writing(self._engine, self._path) as connection:
            connection.execute(delete(price))
            if new_rows:
                connection.execute(insert(price), new_rows)

    def prices(self) -> tuple[CartonPrice, ...]:
        """All prices, by variety, size class and grade."""
        return tuple(from_plain(CartonPrice, dict(row)) for row in self._all_of(price))

"""The order book."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Boolean, Column, String, Table, delete, insert

from fruitvision.domain import OrderLine
from fruitvision.records import from_plain
from fruitvision.store import rows
from fruitvision.store.columns import Whole
from fruitvision.store.database import writing
from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

# Lines are served in the order of their numbers.
order_line = Table(
    "order_line",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("customer", String, nullable=False),
    Column("variety", String, nullable=False),
    Column("classes", String, nullable=False),
    Column("week", String, nullable=False),
    Column("cartons", Whole, nullable=False),
    Column("firm", Boolean, nullable=False),
    Column("grade", String, nullable=False),
    Column("pack", String, nullable=False),
)


class OrdersPart(StorePart):
    """What buyers ordered, as the book stands now."""

    def save_order_book(self, lines: Iterable[OrderLine]) -> None:
        """Keep these lines, in their order, in place of the book as it was."""
        new_rows = [
            {"number": number, **rows.plain_row(line)} for number, line in enumerate(lines, start=1)
        ]
        with writing(self._engine, self._path) as connection:
            connection.execute(delete(order_line))
            if new_rows:
                connection.execute(insert(order_line), new_rows)

    def order_book(self) -> tuple[OrderLine, ...]:
        """All lines, in their order."""
        return tuple(map(_line, self._all_of(order_line)))


def _line(row: rows.FoundRow) -> OrderLine:
    fields = {name: value for name, value in row.items() if name != "number"}
    return from_plain(OrderLine, fields)

"""What hangs on a block: every row of the farm that names it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, delete, select

from fruitvision.store.tables import block, metadata

# Rows as they are kept, by the name of their table.
Hanging = Mapping[str, tuple[Mapping[str, Any], ...]]


def tables_of_blocks() -> tuple[Table, ...]:
    """The tables whose rows belong to a block, without the blocks themselves."""
    return tuple(
        table
        for table in metadata.sorted_tables
        if "block_id" in table.c and table.name != block.name
    )


def hanging_on(connection: Connection, block_id: str) -> Hanging:
    """All rows that name a block; tables without one are left out."""
    found = {}
    for table in tables_of_blocks():
        query = select(table).where(table.c.block_id == block_id).order_by(*table.primary_key)
        rows = tuple(dict(row) for row in connection.execute(query).mappings())
        if rows:
            found[table.name] = rows
    return found


def take_off(connection: Connection, block_id: str) -> None:
    """Take out a block and all rows that name it."""
    for table in (*tables_of_blocks(), block):
        connection.execute(delete(table).where(table.c.block_id == block_id))

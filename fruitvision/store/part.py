"""What all parts of the farm's store share: its database, and rows in and out."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, Table, delete, select

from fruitvision.store import rows
from fruitvision.store.database import reading, writing
from fruitvision.store.dialect import insert_or_replace


class StorePart:
    """Records of one matter. `FarmStore` is made of such parts, each in a module of its own."""

    def __init__(self, folder: Path, engine: Engine, path: Path) -> None:
        self.folder = folder
        self._engine = engine
        self._path = path

    def _upsert(self, table: Table, new_rows: list[rows.NewRow]) -> None:
        with writing(self._engine, self._path) as connection:
            upsert(connection, table, new_rows)

    def _replace_varieties(self, table: Table, new_rows: list[rows.NewRow]) -> None:
        named = {row["variety"] for row in new_rows}
        with writing(self._engine, self._path) as connection:
            connection.execute(delete(table).where(table.c.variety.in_(named)))
            upsert(connection, table, new_rows)

    def _all_of(self, table: Table) -> tuple[rows.FoundRow, ...]:
        with reading(self._engine, self._path) as connection:
            found = connection.execute(select(table).order_by(*table.primary_key))
            return tuple(found.mappings())

    def _of_block(self, table: Table, block_id: str | None) -> tuple[rows.FoundRow, ...]:
        query = select(table).order_by(
            *(table.c[name] for name in ("block_id", "row", "position")), *table.primary_key
        )
        if block_id is not None:
            query = query.where(table.c.block_id == block_id)
        with reading(self._engine, self._path) as connection:
            return tuple(connection.execute(query).mappings())


def upsert(connection: Connection, table: Table, new_rows: list[rows.NewRow]) -> None:
    """Insert rows, or replace those with the same primary key."""
    if not new_rows:
        return
    connection.execute(insert_or_replace(connection, table), new_rows)

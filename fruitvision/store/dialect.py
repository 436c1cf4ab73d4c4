"""The one statement that each database says in words of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import Connection, Insert, Table


def insert_or_replace(connection: Connection, table: Table) -> Insert:
    """Insert rows, or replace those with the same primary key."""
    statement = _insert_on(connection)(table)
    replaced = [column.name for column in table.columns if not column.primary_key]
    found: Insert = statement.on_conflict_do_update(
        index_elements=table.primary_key,
        set_={name: statement.excluded[name] for name in replaced},
    )
    return found


def _insert_on(connection: Connection) -> Callable[[Table], Any]:
    """The database's own INSERT, of which SQLAlchemy has one each with the same methods."""
    if connection.dialect.name == "postgresql":
        from sqlalchemy.dialects.postgresql import insert as insert_on_server

        return insert_on_server
    from sqlalchemy.dialects.sqlite import insert

    return insert

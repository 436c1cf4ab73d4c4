"""The one statement that each database says in words of its own."""

from __future__ import annotations

from sqlalchemy import Connection, Insert, Table


def insert_or_replace(connection: Connection, table: Table) -> Insert:
    """Insert rows, or replace those with the same primary key."""
    if connection.dialect.name == "postgresql":
        from sqlalchemy.dialects.postgresql import insert as insert_on_server

        on_server = insert_on_server(table)
        return on_server.on_conflict_do_update(
            index_elements=table.primary_key,
            set_={name: on_server.excluded[name] for name in _replaced(table)},
        )
    from sqlalchemy.dialects.sqlite import insert

    statement = insert(table)
    return statement.on_conflict_do_update(
        index_elements=table.primary_key,
        set_={name: statement.excluded[name] for name in _replaced(table)},
    )


def _replaced(table: Table) -> list[str]:
    return [column.name for column in table.columns if not column.primary_key]

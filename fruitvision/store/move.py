"""A farm's rows from the file of its folder to a server, and back: checked, all or none."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Table, create_engine, event, insert, select, text
from sqlalchemy.pool import StaticPool

from fruitvision.errors import StoreError
from fruitvision.store.database import open_database, reading, writing
from fruitvision.store.place import DATABASE_NAME, SERVER_NAME, Server, keep_server, server_of
from fruitvision.store.postgresql import (
    copy_in,
    count_rows,
    create_farm,
    server_engine,
    set_aside,
    settle_numbers,
)
from fruitvision.store.said import said_as_store_error
from fruitvision.store.tables import metadata

# Rows in memory at once. Our choice: some MB of fruit.
ROWS_AT_ONCE = 5000
# Wait for others who have the file open: none shall have. Our choice.
WAIT_ALONE_MS = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What was moved: rows of each table that has any, and where what was before is kept."""

    rows: Mapping[str, int]
    kept: str


def move_to_server(folder: Path, server: Server) -> Moved:
    """Move a farm's rows to a server. Its file stays in the folder under another name.

    Raises
    ------
    StoreError
        If it is there already, somebody has the farm open, or the server refuses. The farm is then
        where it was.
    """
    path, named = folder / DATABASE_NAME, folder / SERVER_NAME
    if server_of(folder) is not None or not path.is_file():
        raise StoreError(
            f"{folder} holds no farm with rows of its own.",
            fix="See where its rows are: fruitvision database show --farm FARM.",
        )
    # A farm of an older version is brought up to date first.
    open_database(path).dispose()
    engine = server_engine(server)
    try:
        with _alone(path) as source:
            with writing(engine, named) as target:
                create_farm(target, server)
                rows = copy_rows(source, target)
                settle_numbers(target, _highest(source))
                count_rows(target)
                _refuse_difference(source, target)
            try:
                keep_server(folder, server)
            except OSError as err:
                raise StoreError(
                    f"Can't write {named}: {err.strerror}.",
                    fix=f"Drop the schema {server.schema} on the server and try again.",
                ) from err
    finally:
        engine.dispose()
    kept = _free_name(path, "before-server")
    path.rename(kept)
    return Moved(rows=rows, kept=kept.name)


def move_to_file(folder: Path) -> Moved:
    """Move a farm's rows from a server into its folder. The schema stays under another name.

    Raises
    ------
    StoreError
        If they are not on a server, or it refuses. The farm is then where it was.
    """
    server = server_of(folder)
    if server is None:
        raise StoreError(f"The rows of {folder} are on no server.", fix="Check the folder.")
    named, path = folder / SERVER_NAME, folder / DATABASE_NAME
    part = folder / f"{DATABASE_NAME}.part"
    engine = server_engine(server)
    try:
        _make_file(part)
        with writing(engine, named) as source:
            rows = _copied(source, part)
            kept = set_aside(source, server, f"{datetime.now(UTC):%Y%m%d%H%M%S}")
            part.replace(path)
            named.rename(_free_name(named, "before-file"))
    except OSError as err:
        raise StoreError(
            f"Can't write {part}: {err.strerror}.", fix="Make room on the disk and try again."
        ) from err
    finally:
        engine.dispose()
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return Moved(rows=rows, kept=kept)


def copy_to_file(folder: Path, server: Server, target: Path) -> None:
    """Copy the rows that a server has of a farm into one new SQLite file, all of one moment.

    Raises
    ------
    StoreError
        If the server refuses, or the file can't be written.
    """
    engine = server_engine(server)
    try:
        _make_file(target)
        with reading(engine, folder / SERVER_NAME) as source:
            _copied(source, target)
    finally:
        engine.dispose()


def copy_rows(source: Connection, target: Connection) -> dict[str, int]:
    """Copy all rows into tables that are empty; how many of each table that has any."""
    counts: dict[str, int] = {}
    for table in metadata.sorted_tables:
        for rows in _pieces(source, table):
            if target.dialect.name == "postgresql":
                copy_in(target, table, rows)
            else:
                target.execute(insert(table), [dict(row._mapping) for row in rows])
            counts[table.name] = counts.get(table.name, 0) + len(rows)
    return counts


def content(connection: Connection) -> dict[str, tuple[int, str]]:
    """Of each table how many rows it has, and a hash of all that they say, in their order."""
    found = {}
    for table in metadata.sorted_tables:
        count, hashed = 0, hashlib.sha256()
        for rows in _pieces(connection, table):
            count += len(rows)
            hashed.update(repr([tuple(row) for row in rows]).encode())
        found[table.name] = count, hashed.hexdigest()
    return found


def _pieces(connection: Connection, table: Table) -> Iterator[Any]:
    query = select(table).order_by(*table.primary_key)
    streamed = connection.execute(query, execution_options={"yield_per": ROWS_AT_ONCE})
    yield from streamed.partitions()


def _refuse_difference(source: Connection, target: Connection) -> None:
    was, found = content(source), content(target)
    for name, rows in was.items():
        if found[name] != rows:
            raise StoreError(
                f"The table {name} came out otherwise than it went: {rows[0]} rows, and "
                f"{found[name][0]} there.",
                fix="Nothing was moved. Keep an archive of the farm, and tell who maintains this.",
            )


def _highest(connection: Connection) -> dict[str, int]:
    """The highest number that each table of SQLite ever gave, also to rows that are gone."""
    found = connection.exec_driver_sql("SELECT name, seq FROM sqlite_sequence")
    return {row.name: row.seq for row in found}


def _make_file(path: Path) -> None:
    path.unlink(missing_ok=True)
    open_database(path).dispose()


def _copied(source: Connection, path: Path) -> dict[str, int]:
    """Copy all rows into a new file, and check them; it is then one file without a journal."""
    with _alone(path) as target:
        rows = copy_rows(source, target)
        for table in metadata.sorted_tables:
            if table.dialect_options["sqlite"]["autoincrement"]:
                _settle_file(source, target, table)
        _refuse_difference(source, target)
    return rows


def _settle_file(source: Connection, target: Connection, table: Table) -> None:
    """Let the file's numbers go on after the highest that the server ever gave."""
    last = source.scalar(
        text("SELECT pg_sequence_last_value(pg_get_serial_sequence(:name, 'number')::regclass)"),
        {"name": table.name},
    )
    if last is not None:
        target.exec_driver_sql("DELETE FROM sqlite_sequence WHERE name = ?", (table.name,))
        target.exec_driver_sql(
            "INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", (table.name, last)
        )


@contextmanager
def _alone(path: Path) -> Iterator[Connection]:
    """The file's only connection, in one transaction; nobody else reads or writes meanwhile.

    Raises
    ------
    StoreError
        If somebody else has the file open.
    """
    engine = create_engine(URL.create("sqlite", database=str(path)), poolclass=StaticPool)

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: object) -> None:
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {WAIT_ALONE_MS}")
        # Refused while anybody else has the file open: the one sure sign of it.
        connection.execute("PRAGMA journal_mode = DELETE")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN EXCLUSIVE")

    try:
        with said_as_store_error(path), engine.begin() as connection:
            yield connection
    except StoreError as err:
        if "locked" in err.what:
            raise StoreError(
                f"The farm in {path.parent} is open elsewhere.",
                fix="Stop the app and what measures in the background, and try again.",
            ) from err
        raise
    finally:
        engine.dispose()


def _free_name(path: Path, words: str) -> Path:
    """A name beside a file that nothing has yet."""
    number = 1
    while (found := path.with_name(f"{path.name}.{words}-{number}")).exists():
        number += 1
    return found

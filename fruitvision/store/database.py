"""Open a farm's SQLite file safely; transactions that read or write, wherever the rows are."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event

from fruitvision.errors import StoreError
from fruitvision.store.said import said_as_store_error
from fruitvision.store.schema import bring_up_to_date

# Our choice: another process saves one photo at a time, which takes far less.
WAIT_FOR_LOCK_MS = 30_000
# Why a farm may be looked at only: its folder can't be written.
FOLDER = "folder"


def open_database(path: Path) -> Engine:
    """An engine on the file, whose tables are those of this version.

    Raises
    ------
    StoreError
        If the file can't be opened or written, is no farm database, or is of a newer version.
    """
    engine = create_engine(URL.create("sqlite", database=str(path)))
    event.listen(engine, "connect", _prepare_connection)
    event.listen(engine, "begin", begin)
    try:
        with writing(engine, path) as connection:
            found = connection.exec_driver_sql("SELECT name FROM sqlite_master").scalars()
            bring_up_to_date(connection, set(found), path)
    except BaseException:
        engine.dispose()
        raise
    return engine


@contextmanager
def writing(engine: Engine, path: Path) -> Iterator[Connection]:
    """One transaction that writes: all of it is kept, or nothing.

    Raises
    ------
    StoreError
        If the database refuses, or the farm was opened to be looked at only.
    """
    refuse_if_read_only(engine)
    with said_as_store_error(path), engine.connect() as connection:
        writer = connection.execution_options(writes=True)
        with writer.begin():
            yield writer


def read_only(engine: Engine) -> Engine:
    """The same database for somebody who may look and change nothing."""
    return engine.execution_options(read_only=True)


def refuse_if_read_only(engine: Engine) -> None:
    """Stop what would change a farm that is open to be looked at only.

    Raises
    ------
    StoreError
        If it is.
    """
    why = engine.get_execution_options().get("read_only", False)
    if why == FOLDER:
        raise StoreError(
            "The farm's folder can't be written here: you may look at it and change nothing.",
            fix="Copy the folder to a disk that can be written, or ask who owns it.",
        )
    if why:
        raise StoreError(
            "You may look at this farm and change nothing.",
            fix="Ask a manager to do it, or for another role.",
        )


@contextmanager
def reading(engine: Engine, path: Path) -> Iterator[Connection]:
    """One transaction that sees one state of the database.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    with said_as_store_error(path), engine.begin() as connection:
        yield connection


def _prepare_connection(connection: Any, _record: object) -> None:
    """Leave BEGIN to us (the driver would open transactions too late), wait for locks, use WAL.

    Every commit waits until it is on the disk: a cut of power takes nothing that was said to be
    kept. With NORMAL it would take the last commits (www.sqlite.org/pragma.html, synchronous).
    """
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {WAIT_FOR_LOCK_MS}")
    cursor.execute("PRAGMA journal_mode = WAL")
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def begin(connection: Connection) -> None:
    """Writers take their lock at once, so that two of them queue instead of failing midway."""
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

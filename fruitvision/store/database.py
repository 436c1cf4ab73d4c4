"""Open a farm's SQLite file safely, and bring its tables up to date."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError, IntegrityError

from fruitvision.errors import StoreError
from fruitvision.store.tables import SCHEMA

# Our choice: another process saves one photo at a time, which takes far less.
WAIT_FOR_LOCK_MS = 30_000

_MIGRATIONS = Path(__file__).parents[1] / "migrations"


def open_database(path: Path) -> Engine:
    """An engine on the file, whose tables are those of this version.

    Raises
    ------
    StoreError
        If the file can't be opened or written, is no farm database, or is of a newer version.
    """
    engine = create_engine(URL.create("sqlite", database=str(path)))
    event.listen(engine, "connect", _prepare_connection)
    event.listen(engine, "begin", _begin)
    try:
        with writing(engine, path) as connection:
            _bring_up_to_date(connection, path)
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
    with _said_as_store_error(path), engine.connect() as connection:
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
    if engine.get_execution_options().get("read_only", False):
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
    with _said_as_store_error(path), engine.begin() as connection:
        yield connection


def _prepare_connection(connection: Any, _record: object) -> None:
    """Leave BEGIN to us (the driver would open transactions too late), wait for locks, use WAL."""
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {WAIT_FOR_LOCK_MS}")
    cursor.execute("PRAGMA journal_mode = WAL")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _begin(connection: Connection) -> None:
    """Writers take their lock at once, so that two of them queue instead of failing midway."""
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def _said_as_store_error(path: Path) -> Iterator[None]:
    try:
        yield
    except IntegrityError:
        raise  # A record that the tables forbid is our mistake, not the user's.
    except DBAPIError as err:
        cause = str(err.orig)
        if "not a database" in cause or "malformed" in cause:
            fix = "Restore the farm folder from a copy, or choose another folder."
        elif "locked" in cause:
            fix = "Close the other program that uses this farm and try again."
        else:
            fix = "Check that the folder can be written and the disk has room."
        raise StoreError(f"Can't use {path}: {cause}.", fix=fix) from err


def _bring_up_to_date(connection: Connection, path: Path) -> None:
    """Run the migrations that the database lacks, inside the caller's transaction."""
    tables = set(connection.exec_driver_sql("SELECT name FROM sqlite_master").scalars())
    found = None
    if "alembic_version" in tables:
        found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    if found == SCHEMA:
        return
    if tables and not str(found).startswith("fruitvision_"):
        raise StoreError(
            f"{path} is a database of another program.", fix="Choose an empty folder for the farm."
        )
    _migrate(connection, path, found)


def _migrate(connection: Connection, path: Path, found: str | None) -> None:
    # Half a second of import that only a new or old database needs.
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    # Alembic reads options with % as a sign of its own.
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    known = {step.revision for step in ScriptDirectory.from_config(config).walk_revisions()}
    if found is not None and found not in known:
        raise StoreError(
            f"{path} was written by a newer fruitvision ({found}, this one knows {SCHEMA}).",
            fix="Update fruitvision and open the farm again.",
        )
    command.upgrade(config, "head")

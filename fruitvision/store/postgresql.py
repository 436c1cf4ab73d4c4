"""A farm's rows in a schema of a PostgreSQL server.

Writers of a farm queue for one lock, as they do for SQLite's file, and each sees what the one
before has written: no two of them ever clash. A reader sees one state of the database from its
first question to its last, and nobody waits for a reader.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Column,
    Connection,
    Engine,
    MetaData,
    Table,
    create_engine,
    event,
    insert,
    make_url,
    text,
)
from sqlalchemy.exc import DBAPIError

from fruitvision.errors import StoreError
from fruitvision.store.database import WAIT_FOR_LOCK_MS, reading, writing
from fruitvision.store.place import Server
from fruitvision.store.schema import bring_up_to_date, create_tables
from fruitvision.store.tables import SCHEMA, metadata

# Our choice: a server that is there answers at once.
CONNECT_SECONDS = 10
# After it the server ends a connection that nobody uses; the next question makes another. So 300
# open farms hold no more than are in use, and a server gives 100 unless told otherwise. Our choice:
# longer than somebody reads a page.
IDLE_MS = 120_000
# The version that has `idle_session_timeout`, as the client's library writes it.
_ENDS_IDLE = 140_000
# `pg_current_xact_id_if_assigned` came with it.
OLDEST_SERVER = 13

# One row, and only here: a file's time of change tells the same of SQLite.
_own = MetaData()
_write_stamp = Table("write_stamp", _own, Column("number", BigInteger, primary_key=True))

# What readers need is what a connection begins with; so a reader costs no question of its own.
# `random_page_cost` is 4 for disks that turn; 1.1 is common practice for others. With 4 the server
# reads all results of 50,000 photos to find a block's 840, with 1.1 it follows the index.
_OPTIONS = (
    "-c search_path={schema} -c lock_timeout={wait_ms} -c client_encoding=UTF8 "
    "-c default_transaction_isolation=repeatable\\ read -c default_transaction_read_only=on "
    "-c random_page_cost=1.1"
)
# The lock is held until the transaction ends. After it each statement sees all that was committed,
# so that a writer never builds on what it saw before its turn.
_BEGIN_WRITING = (
    "SET TRANSACTION ISOLATION LEVEL READ COMMITTED, READ WRITE; "
    "SELECT pg_advisory_xact_lock(hashtextextended(current_schema(), 0))"
)
# Only where something was written: then the transaction has a number.
_COUNT_WRITE = (
    "UPDATE write_stamp SET number = number + 1 WHERE pg_current_xact_id_if_assigned() IS NOT NULL"
)


def server_engine(server: Server) -> Engine:
    """An engine on the farm's schema; nothing is asked of the server yet.

    Raises
    ------
    StoreError
        If the library that talks to PostgreSQL is not installed.
    """
    options = _OPTIONS.format(schema=server.schema, wait_ms=WAIT_FOR_LOCK_MS)
    try:
        engine = create_engine(
            make_url(server.url).set(drivername="postgresql+psycopg"),
            connect_args={"options": options, "connect_timeout": CONNECT_SECONDS},
            use_native_hstore=False,
            # One connection stays: 300 farms must not hold what one server can give.
            pool_size=1,
            max_overflow=20,
            pool_pre_ping=True,
        )
    except ModuleNotFoundError as err:
        raise StoreError(
            "What talks to PostgreSQL is not installed.",
            fix="Run: pip install 'fruitvision[postgresql]'.",
        ) from err
    event.listen(engine, "connect", _let_end)
    event.listen(engine, "begin", _begin)
    event.listen(engine, "commit", _commit)
    return engine


def open_server(server: Server, path: Path) -> Engine:
    """An engine on a farm that is on the server, whose tables are those of this version.

    Parameters
    ----------
    path : Path
        The file that names the server, for messages.

    Raises
    ------
    StoreError
        If the server can't be reached, has no such farm, or a newer version wrote it.
    """
    engine = server_engine(server)
    try:
        with reading(engine, path) as connection:
            # Not by a list of all tables: the server would go through those of all farms.
            query = "SELECT to_regclass('alembic_version') IS NOT NULL"
            if not connection.exec_driver_sql(query).scalar_one():
                raise StoreError(
                    f"{path.name} names the schema {server.schema}, and it holds no farm.",
                    fix="Check the address, or restore the farm from an archive.",
                )
            found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
        if found != SCHEMA:
            with writing(engine, path) as connection:
                bring_up_to_date(connection, _tables(connection), server.schema)
                _settle_letters(connection)
    except BaseException:
        engine.dispose()
        raise
    return engine


def create_farm(connection: Connection, server: Server) -> None:
    """Make the farm's schema and its tables, inside the caller's transaction.

    Raises
    ------
    StoreError
        If the schema holds something, or the server is too old or of another encoding.
    """
    version = int(connection.exec_driver_sql("SHOW server_version_num").scalar_one()) // 10_000
    if version < OLDEST_SERVER:
        raise StoreError(
            f"The server is older than PostgreSQL {OLDEST_SERVER}.", fix="Use a newer server."
        )
    if connection.exec_driver_sql("SHOW server_encoding").scalar() != "UTF8":
        raise StoreError(
            "The database can't hold every letter.",
            fix="Make one with: createdb --encoding UTF8 NAME.",
        )
    # The name needs no quotes, see `place`; one that is empty may have been made for this user.
    connection.exec_driver_sql(f"CREATE SCHEMA IF NOT EXISTS {server.schema}")
    if _tables(connection):
        raise StoreError(
            f"The schema {server.schema} holds something already.",
            fix="Choose another name: --schema NAME.",
        )
    create_tables(connection)
    _own.create_all(connection)
    # A farm that is moved here again begins with a higher one: no page takes it for what it knew.
    now_ms = connection.exec_driver_sql("SELECT extract(epoch FROM now()) * 1000").scalar_one()
    connection.execute(insert(_write_stamp).values(number=int(now_ms)))
    _settle_letters(connection)


def stamp_of(engine: Engine, path: Path) -> str:
    """Text that is another one after every write."""
    with reading(engine, path) as connection:
        return str(connection.exec_driver_sql("SELECT number FROM write_stamp").scalar())


def set_aside(connection: Connection, server: Server, moment: str) -> str:
    """Give the schema another name, which who has the farm open can't write to; that name."""
    name = f"{server.schema}_{moment}"
    connection.exec_driver_sql(f"ALTER SCHEMA {server.schema} RENAME TO {name}")
    # For what is still to come of this transaction.
    connection.exec_driver_sql(f"SET LOCAL search_path TO {name}")
    return name


def settle_numbers(connection: Connection, highest: dict[str, int]) -> None:
    """Let numbers that tables give go on after the highest that was ever given, by table."""
    for name, number in highest.items():
        if number:
            connection.execute(
                text("SELECT setval(pg_get_serial_sequence(:name, 'number'), :number)"),
                {"name": name, "number": number},
            )


def copy_in(connection: Connection, table: Table, rows: Sequence[Sequence[Any]]) -> None:
    """Put rows with all columns of a table into it, by COPY: a farm has millions of fruit."""
    to_server = [
        column.type.dialect_impl(connection.dialect).bind_processor(connection.dialect)
        if isinstance(column.type, JSON)
        else None
        for column in table.columns
    ]
    columns = ", ".join(f'"{column.name}"' for column in table.columns)
    statement = f'COPY "{table.name}" ({columns}) FROM STDIN'
    with closing(connection.connection.cursor()) as cursor:
        try:
            with cursor.copy(statement) as stream:
                for row in rows:
                    pairs = zip(row, to_server, strict=True)
                    stream.write_row([one if make is None else make(one) for one, make in pairs])
        except connection.dialect.loaded_dbapi.Error as err:
            # As any other statement would say it.
            raise DBAPIError(statement, None, err) from err


def count_rows(connection: Connection) -> None:
    """Tell the server at once how many rows there are, so that its plans fit the farm."""
    connection.exec_driver_sql(f"ANALYZE {_names()}")


def _let_end(connection: Any, _record: object) -> None:
    """A new connection, as the driver has it: it may be ended while it is not used."""
    if connection.info.server_version >= _ENDS_IDLE:
        connection.execute(f"SET idle_session_timeout = {IDLE_MS}")
        connection.commit()


def _begin(connection: Connection) -> None:
    if connection.get_execution_options().get("writes", False):
        connection.exec_driver_sql(_BEGIN_WRITING)


def _commit(connection: Connection) -> None:
    if connection.get_execution_options().get("writes", False):
        connection.exec_driver_sql(_COUNT_WRITE)


def _names() -> str:
    return ", ".join(f'"{table.name}"' for table in metadata.sorted_tables)


def _tables(connection: Connection) -> set[str]:
    query = "SELECT tablename FROM pg_tables WHERE schemaname = current_schema()"
    return set(connection.exec_driver_sql(query).scalars())


def _settle_letters(connection: Connection) -> None:
    """Sort all text by the numbers of its letters, as SQLite does, whatever the server's language.

    Kinds of columns say nothing of it, because a kind with an order of its own makes casts that
    PostgreSQL does not read.
    """
    found: Sequence[Any] = connection.exec_driver_sql(
        "SELECT table_name, column_name FROM information_schema.columns "
        "WHERE table_schema = current_schema() AND data_type IN ('text', 'character varying') "
        "AND collation_name IS DISTINCT FROM 'C' ORDER BY table_name, column_name"
    ).all()
    for table in dict.fromkeys(row.table_name for row in found):
        changes = ", ".join(
            f'ALTER COLUMN "{row.column_name}" TYPE text COLLATE "C"'
            for row in found
            if row.table_name == table
        )
        connection.exec_driver_sql(f'ALTER TABLE "{table}" {changes}')

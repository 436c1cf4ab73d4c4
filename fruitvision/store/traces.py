"""Traces of rows that were deleted, taken out of the files in which a database keeps its tables."""

from __future__ import annotations

import re
from sqlite3 import OperationalError
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from fruitvision.store.tables import metadata


def forget_traces(engine: Engine) -> bool:
    """Write all tables anew without the rows that are gone; whether none of those is left.

    A file's journal is emptied too. A server's own journal and backups are its keeper's.
    """
    on_server = engine.dialect.name == "postgresql"
    return _forgotten_by_server(engine) if on_server else _forgotten_by_file(engine)


def _forgotten_by_file(engine: Engine) -> bool:
    connection = engine.raw_connection()
    try:
        cursor = connection.cursor()
        cursor.execute("VACUUM")
        (busy, *_) = cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        return not busy
    except OperationalError:
        return False
    finally:
        connection.close()


def _forgotten_by_server(engine: Engine) -> bool:
    """Rows are left where somebody reads a table for longer than we wait for it, or began to read
    anything of this database before they were deleted."""
    left: list[bool] = []

    def told(notice: Any) -> None:
        left.append(_tells_of_rows_left(notice))

    names = ", ".join(f'"{table.name}"' for table in metadata.sorted_tables)
    try:
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            driver: Any = connection.connection.driver_connection
            connection.exec_driver_sql("SET default_transaction_read_only = off")
            driver.add_notice_handler(told)
            try:
                connection.exec_driver_sql(f"VACUUM (FULL, VERBOSE) {names}")
            finally:
                driver.remove_notice_handler(told)
                connection.exec_driver_sql("SET default_transaction_read_only = on")
    except DBAPIError:
        return False
    return not any(left)


def _tells_of_rows_left(notice: Any) -> bool:
    """Whether the server passed over a table, or kept rows of it that somebody may still read.

    Of each table it tells "N dead row versions cannot be removed yet" in its own language, the
    number first (PostgreSQL's cluster.c, copy_table_data).
    """
    found = re.search(r"\d+", notice.message_detail or "")
    return notice.severity_nonlocalized == "WARNING" or (found is not None and int(found[0]) > 0)

"""Farms of tests at once: tables from what the migrations left the first time, no wait for disks.

Tests make two thousand new farms. By the migrations one takes 60 ms of a processor, and each commit
waits until it is on the disk. What other processes do (the command, the app) stays as it is.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import Connection

from fruitvision.store import database, schema

# What the migrations make of an empty database, statement by statement; empty until they ran.
_made: list[str] = []
_migrate = schema._migrate
_prepare_connection = database._prepare_connection


@contextmanager
def quick_farms() -> Iterator[None]:
    """New farms of this process are made at once."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(schema, "_migrate", _migrate_once)
        patch.setattr(database, "_prepare_connection", _prepare_without_waits)
        yield


def real_farms(patch: pytest.MonkeyPatch) -> None:
    """New farms are made as they are outside of tests."""
    patch.setattr(schema, "_migrate", _migrate)
    patch.setattr(database, "_prepare_connection", _prepare_connection)


def _migrate_once(connection: Connection, path: object, found: str | None) -> None:
    if found is not None or connection.dialect.name != "sqlite":
        _migrate(connection, path, found)
    elif _made:
        for statement in _made:
            connection.exec_driver_sql(statement)
    else:
        _migrate(connection, path, found)
        driver: Any = connection.connection.driver_connection
        around = ("BEGIN TRANSACTION;", "COMMIT;")
        _made.extend(one for one in driver.iterdump() if one not in around)


def _prepare_without_waits(connection: Any, record: object) -> None:
    _prepare_connection(connection, record)
    connection.execute("PRAGMA synchronous = OFF")

"""A farm's SQLite file in a folder that can't be written: it can be looked at."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from sqlalchemy import Engine, NullPool, create_engine, event

from fruitvision.errors import StoreError
from fruitvision.store.database import FOLDER, begin, reading
from fruitvision.store.tables import SCHEMA


def can_be_written(path: Path) -> bool:
    """Whether a database can be written: its file, and files beside it."""
    return os.access(path.parent, os.W_OK) and (not path.exists() or os.access(path, os.W_OK))


def read_only_uri(path: Path) -> str:
    """How SQLite is asked for the file without writing anything, not even beside it.

    What a running writer has not yet moved into the file lies beside it, and is read along. Where
    there is nothing of the kind, SQLite would still want to make a file: it is told that nobody
    writes (www.sqlite.org/wal.html, Read-Only Databases).
    """
    waiting = path.with_name(f"{path.name}-wal")
    nobody = "" if waiting.exists() and waiting.stat().st_size else "&immutable=1"
    return f"{path.resolve().as_uri()}?mode=ro{nobody}"


def open_to_look(path: Path) -> Engine:
    """An engine on the file that reads and refuses every change in words.

    Every transaction asks anew whether somebody else writes.

    Raises
    ------
    StoreError
        If it can't be read, is no farm database, or is of another version.
    """

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(
            read_only_uri(path), uri=True, isolation_level=None, check_same_thread=False
        )

    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)
    event.listen(engine, "begin", begin)
    looked_at = engine.execution_options(read_only=FOLDER)
    with reading(looked_at, path) as connection:
        found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    if found == SCHEMA:
        return looked_at
    raise StoreError(
        f"{path} is of another version ({found}, this one knows {SCHEMA}), and its folder can't be "
        f"written.",
        fix="Copy the farm's folder to a disk that can be written, and open the copy.",
    )

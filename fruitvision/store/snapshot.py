"""A farm's database as one file, copied while others read and write it."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from fruitvision.errors import StoreError
from fruitvision.store.look import can_be_written, read_only_uri
from fruitvision.store.place import DATABASE_NAME, server_of

# What a farm's database holds; triggers and views would act on what is read and written later.
_USUAL = {"table", "index"}
# Names of the steps of `migrations/versions`, in the order in which they were made.
_SCHEMA = re.compile(r"fruitvision_\d{4}")


@dataclass(frozen=True, slots=True, kw_only=True)
class DatabaseFacts:
    """What a database says of itself. `farm_name` : None where nobody gave the farm a name."""

    schema: str
    farm_name: str | None


def copy_farm(folder: Path, target: Path) -> DatabaseFacts:
    """Copy a farm's rows in one state into one file, wherever they are; writers need not stop.

    Raises
    ------
    StoreError
        As `copy_database`; or if the server that has them can't be reached.
    """
    server = server_of(folder)
    if server is None:
        return copy_database(folder / DATABASE_NAME, target)
    from fruitvision.store.move import copy_to_file

    copy_to_file(folder, server, target)
    return check_database(target)


def copy_database(source: Path, target: Path) -> DatabaseFacts:
    """Copy a database in one state into one file, by SQLite's own backup; writers need not stop.

    Raises
    ------
    StoreError
        If the database can't be read, is damaged or of something else, or the copy can't be
        written.
    """
    try:
        with (
            closing(sqlite3.connect(_uri(source), uri=True)) as read,
            closing(sqlite3.connect(target)) as written,
        ):
            read.backup(written)
            # Otherwise a second file would belong to it.
            written.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as err:
        raise StoreError(
            f"Can't copy {source}: {err}.",
            fix="Check that the farm can be read and the disk has room.",
        ) from err
    return check_database(target)


def _uri(path: Path) -> str:
    return f"{path.resolve().as_uri()}?mode=rw" if can_be_written(path) else read_only_uri(path)


def check_database(path: Path) -> DatabaseFacts:
    """What a farm's database says of itself.

    Raises
    ------
    StoreError
        If it is damaged, is no farm's, or holds what no farm's database holds.
    """
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as read:
            kinds = {kind for (kind,) in read.execute("SELECT type FROM sqlite_master")}
            if kinds - _USUAL:
                raise StoreError(
                    f"{path.name} holds a {min(kinds - _USUAL)}: no farm's database does.",
                    fix="Use another copy of the farm.",
                )
            (found,) = read.execute("PRAGMA quick_check(1)").fetchone()
            (schema,) = read.execute("SELECT version_num FROM alembic_version").fetchone() or ("",)
            (name,) = read.execute("SELECT name FROM farm").fetchone() or (None,)
    except sqlite3.Error as err:
        raise _damaged(path, str(err)) from err
    if found != "ok":
        raise _damaged(path, found)
    if not _SCHEMA.fullmatch(str(schema)):
        raise _damaged(path, f"its version is '{schema}'")
    return DatabaseFacts(schema=schema, farm_name=name)


def _damaged(path: Path, why: str) -> StoreError:
    return StoreError(
        f"{path.name} is damaged or no farm's database: {why}.",
        fix="Use another copy of the farm.",
    )

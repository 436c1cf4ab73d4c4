"""The tables of a farm's database: made new, or brought up to date."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection

from fruitvision.errors import StoreError
from fruitvision.store.tables import SCHEMA, metadata

if TYPE_CHECKING:
    from alembic.config import Config

MIGRATIONS = Path(__file__).parents[1] / "migrations"


def bring_up_to_date(connection: Connection, tables: set[str], path: object) -> None:
    """Run the migrations that the database lacks, inside the caller's transaction.

    Parameters
    ----------
    tables : set of str
        What the database holds.
    path : object
        How a message names the database.

    Raises
    ------
    StoreError
        If it is of something else, or of a newer version.
    """
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


def create_tables(connection: Connection) -> None:
    """Make all tables of this version in an empty database.

    Nothing older was ever kept in such a database, so that it needs no history of migrations.
    """
    from alembic import command

    metadata.create_all(connection)
    command.stamp(_config(connection), "head")


def _migrate(connection: Connection, path: object, found: str | None) -> None:
    # Half a second of import that only a new or old database needs.
    from alembic import command
    from alembic.script import ScriptDirectory

    config = _config(connection)
    known = {step.revision for step in ScriptDirectory.from_config(config).walk_revisions()}
    if found is not None and found not in known:
        raise StoreError(
            f"{path} was written by a newer fruitvision ({found}, this one knows {SCHEMA}).",
            fix="Update fruitvision and open the farm again.",
        )
    command.upgrade(config, "head")


def _config(connection: Connection) -> Config:
    from alembic.config import Config

    config = Config()
    # Alembic reads options with % as a sign of its own.
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config

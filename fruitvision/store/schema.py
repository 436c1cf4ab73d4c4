"""The tables of a farm's database: made new, or brought up to date."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Column, Connection, MetaData, PrimaryKeyConstraint, String, Table, insert

from fruitvision.errors import StoreError
from fruitvision.store.tables import SCHEMA, metadata

if TYPE_CHECKING:
    from alembic.config import Config

MIGRATIONS = Path(__file__).parents[1] / "migrations"

# Where Alembic keeps the step that a database is at, as Alembic itself makes it.
_at = MetaData()
_step = Table(
    "alembic_version",
    _at,
    Column("version_num", String(32), nullable=False),
    PrimaryKeyConstraint("version_num", name="alembic_version_pkc"),
)


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
    if not tables:
        create_tables(connection)
        return
    if tables and not str(found).startswith("fruitvision_"):
        raise StoreError(
            f"{path} is a database of another program.", fix="Choose an empty folder for the farm."
        )
    _migrate(connection, path, found)


def create_tables(connection: Connection) -> None:
    """Make all tables of this version in an empty database.

    Nothing older was ever kept in such a database, so that it needs no history of migrations, and
    no half a second to load what runs them.
    """
    metadata.create_all(connection)
    _at.create_all(connection)
    connection.execute(insert(_step).values(version_num=SCHEMA))


def _migrate(connection: Connection, path: object, found: str | None) -> None:
    # Half a second of import that only an old database needs.
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

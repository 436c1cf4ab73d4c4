"""Where the rows of a farm are: in a file of its folder, or on a server that `database.toml` names.

::

    url = "postgresql://ines@server.example:5432/coop"
    schema = "larkhill"

The password is never in the file: the server's own client library takes it from `PGPASSWORD` or
from `~/.pgpass`.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from fruitvision.errors import StoreError
from fruitvision.whole_file import write_whole

DATABASE_NAME = "fruitvision.sqlite"
SERVER_NAME = "database.toml"
# Names that need no quotes; a prefix of the server's own and its common schema are left out. With
# what is added where a schema is kept aside, it stays below PostgreSQL's 63 letters.
_SCHEMA = re.compile(r"(?!pg_|public$|information_schema$)[a-z][a-z0-9_]{0,39}")
_DRIVERS = {"postgresql", "postgresql+psycopg"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Server:
    """A database of a PostgreSQL server, and the schema in it that is this farm's alone."""

    url: str
    schema: str


def has_farm(folder: Path) -> bool:
    """Whether a folder holds a farm, wherever its rows are."""
    return (folder / SERVER_NAME).is_file() or (folder / DATABASE_NAME).is_file()


def kept_aside(folder: Path) -> tuple[Path, ...]:
    """Files of the farm's rows as they were before they were moved to a server, by name."""
    return tuple(sorted(folder.glob(f"{DATABASE_NAME}.before-server-*")))


def server_of(folder: Path) -> Server | None:
    """The server that has the rows of a farm; None if they are in its folder.

    Raises
    ------
    StoreError
        If `database.toml` can't be read or says nothing usable.
    """
    path = folder / SERVER_NAME
    if not path.is_file():
        return None
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as err:
        raise StoreError(
            f"{path} can't be read: {err}.", fix="Put it right, or fetch it from a copy."
        ) from err
    url, schema = found.get("url"), found.get("schema")
    if set(found) != {"url", "schema"} or not isinstance(url, str) or not isinstance(schema, str):
        raise StoreError(
            f"{path} needs two lines, url and schema.", fix="Put it right, or fetch it from a copy."
        )
    return checked_server(url, schema)


def keep_server(folder: Path, server: Server) -> None:
    """Write `database.toml`, whole or not at all.

    Raises
    ------
    OSError
        If it can't be written.
    """
    text = (
        "# The rows of this farm are on a PostgreSQL server. The password does not belong here:\n"
        "# set PGPASSWORD, or keep it in ~/.pgpass.\n"
        f"url = {_quoted(server.url)}\n"
        f"schema = {_quoted(server.schema)}\n"
    )
    write_whole(folder / SERVER_NAME, text.encode())


def checked_server(url: str, schema: str) -> Server:
    """A server as somebody named it.

    Raises
    ------
    StoreError
        If it is no address of a PostgreSQL database, has a password in it, or the schema's name
        is none.
    """
    try:
        found = make_url(url)
    except (ArgumentError, ValueError) as err:
        raise _no_address() from err
    if found.drivername not in _DRIVERS or not (found.database or found.query.get("service")):
        raise _no_address()
    if found.password is not None or "password" in found.query:
        raise StoreError(
            "The address of the database has a password in it.",
            fix="Leave it out; set PGPASSWORD, or keep it in ~/.pgpass.",
        )
    if not _SCHEMA.fullmatch(schema):
        raise StoreError(
            f"'{schema}' is no name for a farm in the database.",
            fix="Use small letters a to z, digits and _, a letter first, 40 at most, such as "
            "larkhill.",
        )
    return Server(url=_plain(found), schema=schema)


def schema_name(folder: Path) -> str:
    """A name for the farm in the database, after its folder."""
    found = re.sub(r"[^a-z0-9]+", "_", folder.resolve().name.casefold()).strip("_")[:40]
    return found if _SCHEMA.fullmatch(found) else f"farm_{found}".rstrip("_")[:40]


def _plain(url: URL) -> str:
    return url.set(drivername="postgresql").render_as_string(hide_password=False)


def _quoted(text: str) -> str:
    """A TOML string; letters that it would take for something else are written as numbers."""
    return '"' + re.sub(r'["\\\x00-\x1f\x7f]', lambda one: f"\\u{ord(one[0]):04x}", text) + '"'


def _no_address() -> StoreError:
    return StoreError(
        "That is no address of a PostgreSQL database.",
        fix="Write it as postgresql://USER@SERVER:5432/DATABASE.",
    )

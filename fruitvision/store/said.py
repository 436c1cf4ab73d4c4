"""What a database refuses, said as what a person can put right."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy.exc import DBAPIError, IntegrityError

from fruitvision.errors import StoreError


@contextmanager
def said_as_store_error(path: Path) -> Iterator[None]:
    """What a database refuses in the block is raised as what a person can put right.

    Raises
    ------
    StoreError
        If it refuses. What the tables forbid comes as it is: that is our mistake, not the user's.
    """
    try:
        yield
    except IntegrityError:
        raise
    except DBAPIError as err:
        cause = " ".join(str(err.orig).split())
        if hasattr(err.orig, "sqlstate"):
            raise StoreError(
                f"Can't use the database that {path} names: {cause}.", fix=_fix_on_server(err.orig)
            ) from err
        raise StoreError(f"Can't use {path}: {cause}.", fix=_fix(err.orig)) from err


def _fix(cause: Any) -> str:
    if getattr(cause, "sqlite_errorname", "").startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return "Restore the farm folder from a copy, or choose another folder."
    if "locked" in str(cause):
        return "Close the other program that uses this farm and try again."
    return "Check that the folder can be written and the disk has room."


# By the code of the error: PostgreSQL's manual, appendix A. No code: no connection was made.
_FIXES = {
    "55P03": "Somebody else writes to this farm. Try again.",
    "42P01": "The farm may have been moved. Open it again.",
    "3F000": "The farm may have been moved. Open it again.",
    "42501": "Ask who runs the server for the right to write there.",
    "53100": "The server's disk is full: ask who runs it to make room.",
}
_NO_CONNECTION = (
    "Check that the server runs and can be reached, and the user and the password (PGPASSWORD or "
    "~/.pgpass)."
)


def _fix_on_server(cause: Any) -> str:
    if "NUL" in str(cause):
        return "Take the letter with the number 0 out of the text."
    if cause.sqlstate is None:
        return _NO_CONNECTION
    return _FIXES.get(cause.sqlstate, "Try again, and show this to who runs the server.")

"""What a database refuses, said as what a person can put right."""

from __future__ import annotations

import re
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


# A save is one transaction: it is kept as a whole or not at all, and which of the two is not known
# where the server ended just before it answered.
_STOPPED = (
    "The server was stopped meanwhile. When it runs again, look whether this is kept, and do it "
    "again if not."
)
_NO_ROOM = (
    "The server has no connection left: ask who runs it for more (max_connections), or close farms "
    "that are open."
)
# By the code of the error: PostgreSQL's manual, appendix A. No code: no connection was made.
_FIXES = {
    "55P03": "Somebody else writes to this farm. Try again.",
    "42P01": "The farm may have been moved. Open it again.",
    "3F000": "The farm may have been moved. Open it again.",
    "42501": "Ask who runs the server for the right to write there.",
    "53100": "The server's disk is full: ask who runs it to make room.",
    "57P01": _STOPPED,
    "57P02": _STOPPED,
    "57P03": "The server is starting or stopping. Try again in a moment.",
}
# Where no connection was made there is no code, and what the library or the server says tells. In
# another language than English it is not known, and `_NO_CONNECTION` stands.
_BY_WORDS = {
    re.compile(r"server\s+closed\s+the\s+connection"): _STOPPED,
    re.compile(r"too\s+many\s+clients|connection\s+slots\s+are\s+reserved"): _NO_ROOM,
    re.compile(r"certificate\s+verify\s+failed"): (
        "The server can't show that it is the one meant. Ask who runs it for the certificate to "
        "trust (sslrootcert), and don't connect without it."
    ),
    re.compile(r"does\s+not\s+match\s+host\s+name"): (
        "The server's certificate is of another name. Write the address with the name that its "
        "certificate has, or ask who runs it."
    ),
    re.compile(r"root\s+certificate\s+file"): (
        "Check the place of the certificate to trust (sslrootcert) in the address."
    ),
    re.compile(r"does\s+not\s+support\s+SSL"): (
        "The server has no TLS: ask who runs it to switch it on. Without it everybody in the "
        "network can read the farm."
    ),
}
_NO_CONNECTION = (
    "Check that the server runs and can be reached, and the user and the password (PGPASSWORD or "
    "~/.pgpass)."
)


def _fix_on_server(cause: Any) -> str:
    if "NUL" in str(cause):
        return "Take the letter with the number 0 out of the text."
    if cause.sqlstate is None:
        said = str(cause)
        known = (fix for words, fix in _BY_WORDS.items() if words.search(said))
        return next(known, _NO_CONNECTION)
    return _FIXES.get(cause.sqlstate, "Try again, and show this to who runs the server.")

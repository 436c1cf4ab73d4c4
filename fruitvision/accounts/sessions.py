"""Who is signed in. Kept in memory: when the server ends, so do all sessions."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from threading import Lock

from fruitvision.accounts.account import Account

# A session ends so long after it was last used, and so long after it began. Our choice: a scout
# signs in once a day, and a phone that is lost is of no use a week later.
IDLE = timedelta(hours=12)
LONGEST = timedelta(days=7)
TOKEN_BYTES = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A person who signed in."""

    name: str
    begun_at: datetime
    used_at: datetime


class Sessions:
    """Sessions by a secret that only the browser has; here is its hash."""

    def __init__(self, find: Callable[[str], Account | None]) -> None:
        """`find` gives the account of a name as it is now."""
        self._find = find
        self._open: dict[str, Session] = {}
        self._lock = Lock()

    def begin(self, account: Account, *, at: datetime) -> str:
        """A new session; its secret."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        with self._lock:
            self._open = {key: one for key, one in self._open.items() if not _ended(one, at)}
            self._open[_hashed(token)] = Session(name=account.name, begun_at=at, used_at=at)
        return token

    def account(self, token: str, *, at: datetime) -> Account | None:
        """Who holds the secret, as the account is now; None if the session has ended.

        It has when it was idle or open too long, when it was signed out of, or when the account is
        gone or was changed since it began.
        """
        key = _hashed(token)
        with self._lock:
            found = self._open.get(key)
            if found is None or _ended(found, at):
                self._open.pop(key, None)
                return None
            self._open[key] = replace(found, used_at=at)
        account = self._find(found.name)
        if account is None or account.changed_at > found.begun_at:
            self.end(token)
            return None
        return account

    def end(self, token: str) -> None:
        """Sign out."""
        with self._lock:
            self._open.pop(_hashed(token), None)


def _ended(one: Session, at: datetime) -> bool:
    return at - one.used_at > IDLE or at - one.begun_at > LONGEST


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()

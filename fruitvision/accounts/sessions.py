"""Who is signed in. Kept in memory: when the server ends, so do all sessions."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass, replace
from threading import Lock

from fruitvision.accounts.account import Account
from fruitvision.accounts.running import running_s

# A session ends so long after it was last used, and so long after it began, s. Our choice: a scout
# signs in once a day, and a phone that is lost is of no use a week later.
IDLE_S = 12 * 3600.0
LONGEST_S = 7 * 24 * 3600.0
TOKEN_BYTES = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A person who signed in.

    `account` : as it was when the session began. `begun_s`, `used_s` : by a clock that nobody sets.
    """

    account: Account
    begun_s: float
    used_s: float


class Sessions:
    """Sessions by a secret that only the browser has; here is its hash."""

    def __init__(
        self, find: Callable[[str], Account | None], clock: Callable[[], float] = running_s
    ) -> None:
        """`find` gives the account of a name as it is now, `clock` seconds that only ever grow."""
        self._find = find
        self._clock = clock
        self._open: dict[str, Session] = {}
        self._lock = Lock()

    def begin(self, account: Account) -> str:
        """A new session; its secret."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        now_s = self._clock()
        with self._lock:
            self._open = {key: one for key, one in self._open.items() if not _ended(one, now_s)}
            self._open[_hashed(token)] = Session(account=account, begun_s=now_s, used_s=now_s)
        return token

    def account(self, token: str) -> Account | None:
        """Who holds the secret, as the account is now; None if the session has ended.

        It has when it was idle or open too long, when it was signed out of, or when the account is
        gone or was changed since it began.
        """
        key, now_s = _hashed(token), self._clock()
        with self._lock:
            found = self._open.get(key)
            if found is None or _ended(found, now_s):
                self._open.pop(key, None)
                return None
            self._open[key] = replace(found, used_s=now_s)
        account = self._find(found.account.name)
        if account != found.account:
            self.end(token)
            return None
        return account

    def end(self, token: str) -> None:
        """Sign out."""
        with self._lock:
            self._open.pop(_hashed(token), None)


def _ended(one: Session, now_s: float) -> bool:
    return now_s - one.used_s > IDLE_S or now_s - one.begun_s > LONGEST_S


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()

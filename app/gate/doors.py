"""Who is let in, as the app's server asks it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock

from fruitvision.accounts import Account, AccountBook, Sessions
from fruitvision.accounts.attempts import Attempts
from fruitvision.accounts.sign_ins import Outcome, SignInLog
from fruitvision.errors import AccountError

# Addresses from which a proxy on this computer asks.
HERE = ("127.0.0.1", "::1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Doors:
    """The farm's accounts, and who is signed in.

    `always_shut` : also while nobody has an account, as where the app listens to a network.
    `proxy_header` : the header in which a proxy on this computer tells whom it signed in.
    """

    book: AccountBook
    sessions: Sessions
    log: SignInLog
    attempts: Attempts = field(default_factory=Attempts)
    always_shut: bool = False
    proxy_header: str = ""
    _trying: Lock = field(default_factory=Lock, repr=False)

    @property
    def open_to_all(self) -> bool:
        """Whether nobody needs to sign in: on this computer only, and nobody has an account."""
        if self.always_shut or self.proxy_header:
            return False
        try:
            return not self.book.accounts()
        except AccountError:  # A damaged file opens no door.
            return False

    def holder(self, token: str) -> Account | None:
        """Who holds the session of a secret; None if it has ended."""
        try:
            return self.sessions.account(token)
        except AccountError:
            return None

    def by_proxy(self, name: str, address: str) -> Account | None:
        """Whom the proxy signed in; None if it is none of ours or asks from elsewhere."""
        if not self.proxy_header or address not in HERE or not name:
            return None
        try:
            return self.book.find(name)
        except AccountError:
            return None

    def sign_in(self, name: str, password: str, address: str) -> tuple[str, int]:
        """A new session and 0; or nothing, and the seconds to wait (0: name or password are wrong).

        One try after another, whoever makes it: else many at once would all be looked at before the
        first was counted, each with 64 MiB. A try takes a tenth of a second or so.

        Raises
        ------
        AccountError
            If the accounts can't be read.
        """
        with self._trying:
            wait_s = self.attempts.wait_s(name, address)
            if wait_s:
                return "", wait_s
            account = self.book.check(name, password)
            if account is None:
                self.attempts.wrong(name, address)
        if account is None:
            known = self.book.find(name)
            self._note(Outcome.REFUSED, "" if known is None else known.name, address)
            return "", 0
        self._note(Outcome.IN, account.name, address)
        return self.sessions.begin(account), 0

    def _note(self, outcome: Outcome, name: str, address: str) -> None:
        self.log.note(outcome, name=name, address=address, at=datetime.now(UTC))


def doors_of(farm: Path, *, always_shut: bool, proxy_header: str = "") -> Doors:
    """The doors of a farm."""
    book = AccountBook(farm)
    return Doors(
        book=book,
        sessions=Sessions(book.find),
        log=SignInLog(farm),
        always_shut=always_shut,
        proxy_header=proxy_header,
    )

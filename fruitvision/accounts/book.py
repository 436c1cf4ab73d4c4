"""The farm's accounts: one small file in its folder, which no archive and no export takes along."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from filelock import FileLock, Timeout

from fruitvision.accounts.account import Account, Role, check_password, name_of
from fruitvision.errors import AccountError, did_you_mean
from fruitvision.records import from_plain, to_plain
from fruitvision.whole_file import write_whole

if TYPE_CHECKING:
    from argon2 import PasswordHasher

ACCOUNTS_NAME = "accounts.json"
SCHEMA_VERSION = 1
# Nobody else on the computer needs to read it.
OWNER_ONLY = 0o600
# Our choice: a save takes milliseconds.
LOCK_WAIT_S = 10.0

Note = Callable[[Account | None, Account | None], None]


def _untold(before: Account | None, after: Account | None) -> None:
    """Where nobody keeps who changed accounts."""


@dataclass(frozen=True, slots=True)
class AccountBook:
    """The accounts of the farm in `folder`.

    `note` : told of each account that is about to change, as it was and as it will be; None where
    there is none. What it raises stops the change, so that none is made without a trace.
    """

    folder: Path
    note: Note = _untold

    @property
    def path(self) -> Path:
        """The file."""
        return self.folder / ACCOUNTS_NAME

    def accounts(self) -> tuple[Account, ...]:
        """All accounts by name; none if nobody was given one.

        Raises
        ------
        AccountError
            If the file can't be read. Then nobody may sign in: a damaged file opens no door.
        """
        try:
            content = self.path.read_bytes()
        except FileNotFoundError:
            return ()
        except OSError as err:
            raise _damaged(self.path, err.strerror or "") from err
        try:
            document = json.loads(content)
            if document["schema_version"] != SCHEMA_VERSION:
                raise ValueError("another version wrote it")
            found = tuple(from_plain(Account, one) for one in document["accounts"])
        except (ValueError, TypeError, KeyError, RecursionError) as err:
            raise _damaged(self.path, str(err)) from err
        return tuple(sorted(found, key=lambda one: one.name.casefold()))

    def find(self, name: str) -> Account | None:
        """The account of a name, in capitals or not."""
        wanted = " ".join(name.split()).casefold()
        return next((one for one in self.accounts() if one.name.casefold() == wanted), None)

    def add(self, name: str, role: Role, password: str, *, at: datetime) -> Account:
        """A new account. The first is a manager's, or nobody could let others in.

        Raises
        ------
        AccountError
            If the name is taken or none, the password is one that would be guessed, or the first
            account is not a manager's.
        """
        name = name_of(name)
        check_password(password, name)
        made = Account(name=name, role=role, password_hash=_hasher().hash(password), changed_at=at)

        def added(known: tuple[Account, ...]) -> tuple[Account, ...]:
            if any(one.name.casefold() == name.casefold() for one in known):
                raise AccountError(
                    f"{name} has an account already.",
                    fix="Choose another name, or change role or password of that one.",
                )
            return (*known, made)

        self._change(added)
        return made

    def set_role(self, name: str, role: Role, *, at: datetime) -> Account:
        """Another role for an account.

        Raises
        ------
        AccountError
            If there is no such account, or it is the last manager's.
        """
        return self._change_one(name, lambda one: replace(one, role=role, changed_at=at))

    def set_password(self, name: str, password: str, *, at: datetime) -> Account:
        """Another password for an account; sessions begun with the old one end.

        Raises
        ------
        AccountError
            If there is no such account, or the password is one that would be guessed.
        """

        def changed(one: Account) -> Account:
            check_password(password, one.name)
            return replace(one, password_hash=_hasher().hash(password), changed_at=at)

        return self._change_one(name, changed)

    def remove(self, name: str) -> None:
        """Take an account out; its sessions end.

        Raises
        ------
        AccountError
            If there is no such account, or it is the last manager's and others are left.
        """

        def left(known: tuple[Account, ...]) -> tuple[Account, ...]:
            gone = _named(known, name)
            return tuple(one for one in known if one != gone)

        self._change(left)

    def check(self, name: str, password: str) -> Account | None:
        """The account if the password is its own, else None.

        A name without an account takes as long as one with it, so that nobody learns who has one.
        """
        from argon2.exceptions import VerificationError

        account = self.find(name)
        known = account is not None and bool(account.password_hash)
        hashed = account.password_hash if account is not None and known else _no_ones_hash()
        try:
            _hasher().verify(hashed, password)
        except (VerificationError, ValueError):  # A hash that is none opens no door.
            return None
        return account if known else None

    def _change_one(self, name: str, change: Callable[[Account], Account]) -> Account:
        made: list[Account] = []

        def changed(known: tuple[Account, ...]) -> tuple[Account, ...]:
            old = _named(known, name)
            made.append(change(old))
            return tuple(made[-1] if one == old else one for one in known)

        self._change(changed)
        return made[-1]

    def _change(self, change: Callable[[tuple[Account, ...]], tuple[Account, ...]]) -> None:
        """Read, change and write, one after another, whoever does it."""
        try:
            with FileLock(self.path.with_suffix(".lock"), timeout=LOCK_WAIT_S):
                known = self.accounts()
                accounts = change(known)
                if accounts and all(one.role is not Role.MANAGER for one in accounts):
                    raise AccountError(
                        "No manager would be left, and nobody could let others in.",
                        fix="Give somebody the role manager first.",
                    )
                for before, after in _differing(known, accounts):
                    self.note(before, after)
                plain = list(map(to_plain, accounts))
                document = {"schema_version": SCHEMA_VERSION, "accounts": plain}
                write_whole(self.path, json.dumps(document, indent=1).encode())
                os.chmod(self.path, OWNER_ONLY)
        except Timeout as err:
            raise AccountError(
                f"Somebody else has been changing {self.path} for {LOCK_WAIT_S:.0f} s.",
                fix="Try again in a moment.",
            ) from err
        except OSError as err:
            raise AccountError(
                f"Can't write {self.path}: {err.strerror}.",
                fix="Check that the farm's folder can be written.",
            ) from err


def _differing(
    known: tuple[Account, ...], new: tuple[Account, ...]
) -> Iterator[tuple[Account | None, Account | None]]:
    before, after = ({one.name: one for one in ones} for ones in (known, new))
    for name in dict.fromkeys((*before, *after)):
        if before.get(name) != after.get(name):
            yield before.get(name), after.get(name)


def _named(known: tuple[Account, ...], name: str) -> Account:
    wanted = " ".join(name.split()).casefold()
    for one in known:
        if one.name.casefold() == wanted:
            return one
    names = [one.name for one in known]
    raise AccountError(
        f"Nobody here is called '{name}'.",
        fix=did_you_mean(name, names) if names else "Add somebody first.",
    )


def _damaged(path: Path, why: str) -> AccountError:
    return AccountError(
        f"Can't read the accounts in {path}: {why}.",
        fix="Put a copy of it back, or delete it and add the people again.",
    )


@cache
def _hasher() -> PasswordHasher:
    """Argon2id with the library's costs, those of RFC 9106 for little memory (64 MiB)."""
    # Every command starts faster without it.
    from argon2 import PasswordHasher

    return PasswordHasher()


@cache
def _no_ones_hash() -> str:
    return _hasher().hash(os.urandom(16))

"""A person with a password, and what the person may do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from fruitvision.errors import AccountError

# Our choice: a name and a family name, as in the app.
LONGEST_NAME = 40
# NIST SP 800-63B (2017), 5.1.1.2: 8 characters at least, and at least 64 allowed. Our choice, since
# nothing else stands between a wifi and the farm: 10.
SHORTEST_PASSWORD = 10
# More says nothing, and hashing it costs the server. Our choice.
LONGEST_PASSWORD = 200


class Role(StrEnum):
    """What a person does with the farm.

    A manager may do everything. A scout walks: photos, counts, calipers. Sales see what can be
    promised, without photos, and keep the order book. A reader sees everything and changes nothing.
    """

    MANAGER = "manager"
    SCOUT = "scout"
    SALES = "sales"
    READER = "reader"

    @property
    def may_change(self) -> bool:
        """Whether the person may change anything at all."""
        return self is not Role.READER

    @property
    def plans_harvest(self) -> bool:
        """Whether the person moves passes, marks them finished, and sets crew, rooms and costs.

        Sales look at them: what they promise rests on them.
        """
        return self is Role.MANAGER

    def brings(self, kind: str) -> bool:
        """Whether the person may bring tables of a kind (see `fruitvision.papers.kinds`).

        A reader may bring any to look at: the store takes none in.
        """
        return self not in _TABLES or kind in _TABLES[self]


# Kinds of tables of those who bring some only. Our choice: what each of them does by hand too.
_TABLES = {
    Role.SCOUT: frozenset({"hand_counts", "calipers", "gaps"}),
    Role.SALES: frozenset({"orders"}),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """A person who may sign in.

    `password_hash` : argon2id (RFC 9106) with its own salt and cost; empty for one who signs in at
    a proxy. `changed_at` : UTC, when password or role were set. A session ends with any change.
    """

    name: str
    role: Role
    password_hash: str
    changed_at: datetime


def name_of(typed: str) -> str:
    """A name as it is kept: spaces around and doubled ones gone.

    Raises
    ------
    AccountError
        If nothing is left, it is too long, or holds what can't be printed.
    """
    name = " ".join(typed.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise AccountError(
            f"'{typed[:LONGEST_NAME]}' is no name.",
            fix=f"Give 1 to {LONGEST_NAME} letters, without line ends.",
        )
    return name


def check_password(password: str, name: str) -> None:
    """Refuse what is guessed first.

    Raises
    ------
    AccountError
        If the password is too short or too long, the person's name, or one sign repeated.
    """
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise AccountError(
            f"The password has {len(password)} characters.",
            fix=f"Take {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}: three or four words are easy to "
            f"keep in mind.",
        )
    if name.casefold() in password.casefold() or len(set(password)) < 4:
        raise AccountError(
            "That password would be guessed first: it holds the name, or a few signs repeated.",
            fix="Take three or four words that don't belong together.",
        )

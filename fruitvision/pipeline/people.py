"""Accounts whose changes stand among the farm's changes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

from fruitvision.accounts import Account, AccountBook
from fruitvision.domain import ThingKind
from fruitvision.pipeline.entries import now_utc
from fruitvision.store import Store


def noted(book: AccountBook, store: Store, *, who: str) -> AccountBook:
    """The same accounts; who changes one is kept first, with roles and never with a password.

    A change that the file then refuses, such as on a full disk, stays noted: one told too much
    does less harm than one that nobody can see.
    """

    def note(before: Account | None, after: Account | None) -> None:
        name = next(one.name for one in (after, before) if one is not None)
        store.note_change(
            ThingKind.ACCOUNT, name, _fields(before), _fields(after), who=who, at=now_utc()
        )

    return replace(book, note=note)


def _fields(account: Account | None) -> dict[str, object] | None:
    if account is None:
        return None
    since = account.changed_at.astimezone(UTC).isoformat()
    return {"role": account.role.value, "changed_at": since}

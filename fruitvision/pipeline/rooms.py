"""Cold rooms as people enter and correct them."""

from __future__ import annotations

from fruitvision.domain import ColdRoom
from fruitvision.errors import FieldDataError
from fruitvision.pipeline.entries import now_utc, refuse_below
from fruitvision.store import Store
from fruitvision.store.things import kept_cold_room


def save_room(new: ColdRoom, seen: ColdRoom | None, store: Store, *, who: str) -> ColdRoom:
    """Add a cold room, or correct the one that was seen.

    Raises
    ------
    FieldDataError
        If it has no name or no bins, or the share of a day is not above 0 and up to 1; if `seen` is
        None and there is such a room.
    ConflictError
        If somebody else changed the same fields.
    """
    check_room(new)
    kept = kept_cold_room(new.name)
    if seen is None and store.present(kept) not in (None, new):
        raise FieldDataError(
            f"There is a cold room '{new.name}' already.",
            fix="Choose another name; to correct that room, choose it first.",
        )
    return store.save_seen(kept, seen, new, who=who, at=now_utc(), check=check_room) or new


def take_room_off(seen: ColdRoom, store: Store, *, who: str) -> None:
    """Take a cold room off the farm.

    Raises
    ------
    ConflictError
        If somebody else changed it meanwhile.
    """
    store.save_seen(kept_cold_room(seen.name), seen, None, who=who, at=now_utc())


def check_room(room: ColdRoom) -> None:
    """Refuse a cold room that makes no sense.

    Raises
    ------
    FieldDataError
        If it has no name or no bins, or the share of a day is not above 0 and up to 1.
    """
    if not room.name.strip():
        raise FieldDataError("The cold room has no name.", fix="Type its name.")
    refuse_below(1, {"bins": "bins of the cold room"}, room)
    if not 0 < room.daily_share <= 1:
        raise FieldDataError(
            f"The share of {room.name} that may come in on one day is {room.daily_share:g}.",
            fix="Give a share above 0, up to 1; about 0.1 is common.",
        )

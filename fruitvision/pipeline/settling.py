"""What a person decides where two changed the same thing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from fruitvision.domain import Conflict, ThingKind
from fruitvision.pipeline.block_entries import check_block
from fruitvision.pipeline.entries import now_utc
from fruitvision.store import Store
from fruitvision.store.things import (
    Kept,
    kept_block,
    kept_calipers,
    kept_cold_room,
    kept_farm,
    kept_hand_count,
    kept_pick_plan,
    kept_season_note,
)


def settle(conflict: Conflict[Any], store: Store, *, who: str) -> None:
    """Keep mine of a conflict after all, over theirs as the person was shown it.

    Raises
    ------
    ConflictError
        If it was changed once more meanwhile.
    KeyError
        If it is of a kind that two people can't change: a fault of the program.
    """
    kept = _KEPT[conflict.kind](conflict, conflict.mine or conflict.theirs)
    check = check_block if conflict.kind is ThingKind.BLOCK else None
    store.save_seen(kept, conflict.theirs, conflict.mine, who=who, at=now_utc(), check=check)


# How the thing of a conflict is kept, by its kind: one line for each `kept_` of `store/things.py`.
# What its record does not tell is its name among its like.
_KEPT: Mapping[ThingKind, Callable[[Conflict[Any], Any], Kept[Any]]] = {
    ThingKind.FARM: lambda _, one: kept_farm(one),
    ThingKind.BLOCK: lambda _, one: kept_block(one.block_id),
    ThingKind.HAND_COUNT: lambda _, one: kept_hand_count(one.tree, one.counted_on, one.protocol),
    ThingKind.CALIPERS: lambda _, ones: kept_calipers(ones[0].tree, ones[0].measured_on),
    ThingKind.PICK_PLAN: lambda conflict, _: kept_pick_plan(conflict.about),
    ThingKind.COLD_ROOM: lambda _, one: kept_cold_room(one.name),
    ThingKind.SEASON_NOTE: lambda _, one: kept_season_note(one.block_id, one.season),
}

"""What a person decides where two changed the same thing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from fruitvision.domain import Conflict, HandCount, ThingKind
from fruitvision.pipeline.block_entries import check_block
from fruitvision.pipeline.entries import now_utc
from fruitvision.store import Farm, Store
from fruitvision.store.things import (
    Kept,
    kept_block,
    kept_calipers,
    kept_cold_room,
    kept_farm,
    kept_hand_count,
    kept_pick_plan,
)


def settle(conflict: Conflict[Any], store: Store, *, who: str) -> None:
    """Keep mine of a conflict after all, over theirs as the person was shown it.

    Raises
    ------
    ConflictError
        If it was changed once more meanwhile.
    """
    check = check_block if conflict.kind is ThingKind.BLOCK else None
    store.save_seen(
        _kept_of(conflict), conflict.theirs, conflict.mine, who=who, at=now_utc(), check=check
    )


def _kept_of(conflict: Conflict[Any]) -> Kept[Any]:
    one = conflict.mine or conflict.theirs
    if isinstance(one, tuple):
        return kept_calipers(one[0].tree, one[0].measured_on)
    if isinstance(one, HandCount):
        return kept_hand_count(one.tree, one.counted_on, one.protocol)
    if isinstance(one, Farm):
        return kept_farm(one)
    return _BY_NAME.get(conflict.kind, kept_block)(conflict.about)


_BY_NAME: Mapping[ThingKind, Callable[[str], Kept[Any]]] = {
    ThingKind.PICK_PLAN: kept_pick_plan,
    ThingKind.COLD_ROOM: kept_cold_room,
}

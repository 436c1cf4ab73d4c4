"""What people enter and correct, one thing at a time: nobody's entry is taken away unseen.

Each function is given the thing as the person saw it (`seen`, None if they saw none) and as they
want it. Where somebody else changed the same fields meanwhile, nothing is saved and a
`ConflictError` tells both; `settle` then saves what the person decides. Every change is kept with
who made it and when.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

from fruitvision.domain import (
    Block,
    CaliperReading,
    Conflict,
    HandCount,
    PickPlan,
    Protocol,
    ThingKind,
    TreeId,
)
from fruitvision.errors import FieldDataError
from fruitvision.settings import Settings, settings_from_text, settings_to_text
from fruitvision.store import Farm, Store
from fruitvision.store.things import (
    Kept,
    kept_block,
    kept_calipers,
    kept_farm,
    kept_hand_count,
    kept_pick_plan,
)
from fruitvision.unit_system import UnitSystem


def now_utc() -> datetime:
    """The moment that a change is kept with."""
    return datetime.now(UTC)


def save_block(new: Block, seen: Block | None, store: Store, *, who: str) -> Block:
    """Add a block, or correct the one that was seen; also its pick date and targets.

    Returns
    -------
    Block
        As it is kept now: with fields that only others changed meanwhile as they made them.

    Raises
    ------
    FieldDataError
        If it has no name, no variety or no bearing tree, or its name differs from another one's
        only in capitals or spaces.
    ConflictError
        If somebody else changed the same fields, or `seen` is None and there is such a block.
    """
    check_block(new)
    refuse_like_name(new, store)
    kept = kept_block(new.block_id)
    return store.save_seen(kept, seen, new, who=who, at=now_utc(), check=check_block) or new


def check_block(block: Block) -> None:
    """Refuse a block that makes no sense.

    Raises
    ------
    FieldDataError
        If it has no name, no variety or no bearing tree.
    """
    for value, what in ((block.block_id, "name"), (block.variety, "variety")):
        if not value.strip():
            raise FieldDataError(f"The block has no {what}.", fix=f"Type its {what}.")
    if block.bearing_trees < 1:
        raise FieldDataError(
            f"{block.positions} positions less {block.missing} missing and {block.pollinizers} "
            "pollinizers leave no bearing tree.",
            fix="Correct positions, missing or pollinizers.",
        )


def refuse_like_name(block: Block, store: Store) -> None:
    """Refuse a block whose name differs from another one's only in capitals or spaces.

    Raises
    ------
    FieldDataError
        If there is such a block.
    """
    for other in store.blocks():
        if other.block_id != block.block_id and _key(other.block_id) == _key(block.block_id):
            raise FieldDataError(
                f"There is a block '{other.block_id}' already.",
                fix="Write its name in the same way to correct it, or choose another name.",
            )


def _key(name: str) -> str:
    return " ".join(name.casefold().split())


def hand_count_of(
    tree: TreeId, counted_on: date, store: Store, *, protocol: Protocol = Protocol.TWO_FACES
) -> HandCount | None:
    """The hand count of a tree on a day as it is kept now, for a form to show."""
    return store.present(kept_hand_count(tree, counted_on, protocol))


def save_hand_count(new: HandCount, seen: HandCount | None, store: Store, *, who: str) -> HandCount:
    """Keep the hand count of a tree and day.

    Raises
    ------
    ConflictError
        If somebody else counted otherwise on the same tree and day, and that was not `seen`.
    """
    kept = kept_hand_count(new.tree, new.counted_on, new.protocol)
    return store.save_seen(kept, seen, new, who=who, at=now_utc()) or new


def calipers_of(tree: TreeId, measured_on: date, store: Store) -> tuple[CaliperReading, ...]:
    """The caliper readings of a tree and day as they are kept now."""
    return store.present(kept_calipers(tree, measured_on)) or ()


def save_calipers(
    new: Sequence[CaliperReading],
    seen: Sequence[CaliperReading],
    store: Store,
    *,
    tree: TreeId,
    measured_on: date,
    who: str,
) -> None:
    """Keep all caliper readings of a tree and day in place of those that were seen.

    Raises
    ------
    ConflictError
        If somebody else changed the readings of this tree and day.
    """
    kept = kept_calipers(tree, measured_on)
    store.save_seen(kept, tuple(seen) or None, tuple(new) or None, who=who, at=now_utc())


def save_pick_plan(
    block_id: str, new: PickPlan, seen: PickPlan | None, store: Store, *, who: str
) -> PickPlan:
    """Keep the passes of a block.

    Raises
    ------
    ConflictError
        If somebody else changed the passes of this block.
    """
    return store.save_seen(kept_pick_plan(block_id), seen, new, who=who, at=now_utc()) or new


def rename_farm(name: str, seen: Farm, store: Store, *, who: str) -> None:
    """Give the farm another name.

    Raises
    ------
    FieldDataError
        If the name is empty.
    ConflictError
        If somebody else gave it another name.
    """
    if not name.strip():
        raise FieldDataError("The farm has no name.", fix="Type a name.")
    _save_farm(replace(seen, name=name.strip()), seen, store, who=who)


def set_ruler(ruler_measured_mm: float, seen: Farm, store: Store, *, who: str) -> None:
    """Keep the measured length of the printed 150 mm ruler; photos need measuring again.

    Raises
    ------
    SettingsError
        If the length is not above 0.
    ConflictError
        If somebody else kept another length.
    """
    settings = replace(settings_of(seen), ruler_measured_mm=ruler_measured_mm)
    save_settings(settings, seen, store, who=who)


def set_units(system: UnitSystem, seen: Farm, store: Store, *, who: str) -> None:
    """Keep the units that are shown to those who ask for no others.

    Raises
    ------
    ConflictError
        If somebody else chose others.
    """
    save_settings(replace(settings_of(seen), units=system.value), seen, store, who=who)


def set_language(code: str, seen: Farm, store: Store, *, who: str) -> None:
    """Keep the language of the pages for those who ask for no other; empty: each browser's.

    Raises
    ------
    ConflictError
        If somebody else chose another.
    """
    save_settings(replace(settings_of(seen), language=code), seen, store, who=who)


def save_settings(new: Settings, seen: Farm, store: Store, *, who: str) -> None:
    """Keep settings of the farm.

    Raises
    ------
    SettingsError
        If the farm keeps settings that make no sense.
    ConflictError
        If somebody else changed the same settings.
    """
    _save_farm(replace(seen, settings_text=settings_to_text(new)), seen, store, who=who)


def _save_farm(new: Farm, seen: Farm, store: Store, *, who: str) -> None:
    store.save_seen(kept_farm(store.farm()), seen, new, who=who, at=now_utc())


def settings_of(farm: Farm) -> Settings:
    """The settings that a farm keeps.

    Raises
    ------
    SettingsError
        If they make no sense.
    """
    return settings_from_text(farm.settings_text)


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
    by_block = kept_pick_plan if conflict.kind is ThingKind.PICK_PLAN else kept_block
    return by_block(conflict.about)

"""What people enter and correct, one thing at a time: nobody's entry is taken away unseen.

Each function is given the thing as the person saw it (`seen`, None if they saw none) and as they
want it. Where somebody else changed the same fields meanwhile, nothing is saved and a
`ConflictError` tells both; `settle` then saves what the person decides. Every change is kept with
who made it and when.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from types import SimpleNamespace
from typing import Any

from fruitvision.crop_load import check_trunk
from fruitvision.domain import (
    Block,
    CaliperReading,
    Conflict,
    HandCount,
    ThingKind,
    TreeId,
)
from fruitvision.errors import ConflictError, FieldDataError
from fruitvision.pipeline.believable import check_day
from fruitvision.register import check_register_rows
from fruitvision.settings import Settings, check_ruler, settings_from_text, settings_to_text
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
        If it makes no sense (see `check_block`), its name can't be taken (see `check_name`),
        `seen` is None and there is such a block, or its register lists another number of places.
    ConflictError
        If somebody else changed the same fields.
    """
    check_block(new)
    check_name(new, store)
    register = store.register(new.block_id)
    if register and (seen is None or seen.positions != new.positions):
        check_register_rows(new, register)
    kept = kept_block(new.block_id)
    if seen is None and store.present(kept) not in (None, new):
        raise _name_taken(new.block_id)
    try:
        return store.save_seen(kept, seen, new, who=who, at=now_utc(), check=check_block) or new
    except ConflictError:
        if seen is None:
            # Added by somebody else since it was looked up.
            raise _name_taken(new.block_id) from None
        raise


def _name_taken(block_id: str) -> FieldDataError:
    return FieldDataError(
        f"There is a block '{block_id}' already.",
        fix="Choose another name; to correct that block, choose it first.",
    )


def check_block(block: Block) -> None:
    """Refuse a block that makes no sense.

    Raises
    ------
    FieldDataError
        If it has no name, no variety, no positions or no bearing tree, a number below 0, a trunk
        that no tree has, or its pick before its bloom.
    """
    for value, what in ((block.block_id, "name"), (block.variety, "variety")):
        if not value.strip():
            raise FieldDataError(f"The block has no {what}.", fix=f"Type its {what}.")
    if block.positions == 0:
        raise FieldDataError(
            "The block has no tree positions.",
            fix="Type how many places for a tree its rows have, with gaps.",
        )
    refuse_below(0, _BLOCK_NUMBERS, block)
    if block.trunk_area_cm2 is not None:
        check_trunk(block.trunk_area_cm2, typed="The mean trunk")
    if block.full_bloom_on and block.pick_date and block.full_bloom_on >= block.pick_date:
        raise FieldDataError(
            f"Full bloom on {block.full_bloom_on} is not before the pick on {block.pick_date}.",
            fix="Correct one of the two days, or leave the day of the pick open.",
        )
    low, high = TARGET_RANGE_MM
    if block.target_diameter_mm is not None and not low <= block.target_diameter_mm <= high:
        raise FieldDataError(
            f"A mean diameter of {block.target_diameter_mm:.0f} mm is no apple's.",
            fix=f"Type one from {low:.0f} mm to {high:.0f} mm.",
        )
    if block.bearing_trees < 1:
        raise FieldDataError(
            f"{block.positions} positions less {block.missing} missing and {block.pollinizers} "
            "pollinizers leave no bearing tree.",
            fix="Correct positions, missing or pollinizers.",
        )


# Mean diameters that somebody may want, mm. Our choice: the smallest apples that are sold as fruit
# and the largest ones, with room on both sides.
TARGET_RANGE_MM = (30.0, 130.0)

# Numbers of a block that can't be below 0, and what they are called.
_BLOCK_NUMBERS = {
    "positions": "tree positions",
    "missing": "missing trees",
    "pollinizers": "pollinizers",
    "row_spacing_m": "distance between rows",
    "tree_spacing_m": "distance between trees",
    "area_ha": "area",
    "target_fruit_per_tree": "fruit wanted per tree",
    "target_diameter_mm": "wanted diameter",
}


def refuse_below(least: int, names: Mapping[str, str], thing: object) -> None:
    """Refuse a record with a number below the least that makes sense.

    Parameters
    ----------
    names : mapping of str to str
        The fields, and what each is called.

    Raises
    ------
    FieldDataError
        If one of them is below it.
    """
    for field, what in names.items():
        value = getattr(thing, field)
        if value is not None and value < least:
            raise FieldDataError(
                f"A number is too small: {what} {value:g}.", fix=f"Type {least} or more."
            )


# Letters of a block's name. Our choice: what a table shows on a phone.
LONGEST_BLOCK_NAME = 60


def check_name(block: Block, store: Store) -> None:
    """Refuse a new block whose name is too long or too much like another one's.

    Raises
    ------
    FieldDataError
        If it has more than `LONGEST_BLOCK_NAME` letters, or differs from another block's name only
        in capitals or spaces.
    """
    others = store.blocks()
    letters = len(block.block_id)
    if letters > LONGEST_BLOCK_NAME and all(one.block_id != block.block_id for one in others):
        raise FieldDataError(
            f"The name of the block has {letters} letters.",
            fix=f"Shorten it to {LONGEST_BLOCK_NAME} letters.",
        )
    for other in others:
        if other.block_id != block.block_id and _key(other.block_id) == _key(block.block_id):
            raise FieldDataError(
                f"There is a block '{other.block_id}' already.",
                fix="Write its name in the same way to correct it, or choose another name.",
            )


def _key(name: str) -> str:
    return " ".join(name.casefold().split())


def take_block_off(block_id: str, expected: Mapping[str, int], store: Store, *, who: str) -> None:
    """Take a block off the farm with all that hangs on it; photo files and forecasts stay.

    Parameters
    ----------
    expected : mapping of str to int
        What hung on it (see `Store.hanging_on`) as the person was told.

    Raises
    ------
    FieldDataError
        If photos are being measured: they may be this block's.
    StoreError
        If there is no such block, or something else hangs on it by now.
    """
    if store.jobs(only_open=True, most=1):
        raise FieldDataError(
            "Photos are being measured.", fix="Take the block off when they are done."
        )
    store.take_block_off(block_id, expected=expected, who=who, at=now_utc())


def save_hand_count(new: HandCount, seen: HandCount | None, store: Store, *, who: str) -> HandCount:
    """Keep the hand count of a tree and day.

    Raises
    ------
    FieldDataError
        If the count is below 0, row or place is below 1, or no fruit hang on that day.
    ConflictError
        If somebody else counted otherwise on the same tree and day, and that was not `seen`.
    """
    refuse_below(0, {"fruit_count": "fruit"}, new)
    refuse_below(1, {"row": "row", "position": "place in the row"}, new.tree)
    for block in store.blocks():
        if block.block_id == new.tree.block_id:
            check_day(new.counted_on, block)
    kept = kept_hand_count(new.tree, new.counted_on, new.protocol)
    return store.save_seen(kept, seen, new, who=who, at=now_utc()) or new


def take_out_hand_count(seen: HandCount, store: Store, *, who: str) -> None:
    """Take a hand count out of the farm; what it was stays in the record of changes.

    Raises
    ------
    ConflictError
        If somebody else changed it since it was seen.
    """
    kept = kept_hand_count(seen.tree, seen.counted_on, seen.protocol)
    store.save_seen(kept, seen, None, who=who, at=now_utc())


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
        If the length is out of all reason.
    ConflictError
        If somebody else kept another length.
    """
    check_ruler(ruler_measured_mm)
    settings = replace(settings_of(seen), ruler_measured_mm=ruler_measured_mm)
    save_settings(settings, seen, store, who=who)


def set_crew(new: Settings, seen: Farm, store: Store, *, who: str) -> None:
    """Keep pickers, their pace and the empty bins of the farm.

    Raises
    ------
    FieldDataError
        If there is no pace, or a number is below 0.
    ConflictError
        If somebody else changed the same.
    """
    refuse_below(0, {"crew": "pickers", "bins_on_hand": "empty bins"}, new)
    if new.bins_per_picker_day <= 0:
        raise FieldDataError(
            "A picker fills no bins.", fix="Type how many bins a picker fills a day."
        )
    save_settings(new, seen, store, who=who)


def set_planning(
    amounts: Mapping[str, float],
    seen: Farm,
    store: Store,
    *,
    biennial_varieties: str,
    currency: str,
    who: str,
) -> None:
    """Keep what thinning and the choice of what to measure next go by.

    Parameters
    ----------
    amounts : mapping of str to float
        By name of the setting: those of `_PLANNED`, and `way_to_block_min`.

    Raises
    ------
    FieldDataError
        If a guide or minutes of work are not above 0, or the way to a block is below it.
    ConflictError
        If somebody else changed the same.
    """
    for name, what in _PLANNED.items():
        value = amounts[name]
        if value <= 0:
            raise FieldDataError(
                f"A number is too small: {what} {value:g}.", fix="Type a number above 0."
            )
    way = {"way_to_block_min": "minutes to a block and back"}
    refuse_below(0, way, SimpleNamespace(**amounts))
    new = replace(
        settings_of(seen),
        biennial_varieties=biennial_varieties.strip(),
        currency=currency.strip(),
        **amounts,  # type: ignore[arg-type]
    )
    save_settings(new, seen, store, who=who)


# Settings of planning that are above 0, and what they are called.
_PLANNED = {
    "fruit_per_cm2_biennial": "trunk guide",
    "fruit_per_cm2_annual": "trunk guide",
    "photo_tree_min": "minutes to photograph a tree",
    "hand_count_min": "minutes to count a tree by hand",
    "caliper_tree_min": "minutes to caliper a tree",
}


def set_costs(
    pick_cost_per_bin: float, pack_cost_per_carton: float, seen: Farm, store: Store, *, who: str
) -> None:
    """Keep what picking a bin and packing a carton cost.

    Raises
    ------
    FieldDataError
        If a cost is below 0.
    ConflictError
        If somebody else changed the same.
    """
    costs = (pick_cost_per_bin, "cost of a bin"), (pack_cost_per_carton, "cost of a carton")
    for value, what in costs:
        if value < 0:
            raise FieldDataError(f"A number is too small: {what} {value:g}.", fix="Type 0 or more.")
    new = replace(
        settings_of(seen),
        pick_cost_per_bin=pick_cost_per_bin,
        pack_cost_per_carton=pack_cost_per_carton,
    )
    save_settings(new, seen, store, who=who)


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
    return _BY_NAME.get(conflict.kind, kept_block)(conflict.about)


_BY_NAME: Mapping[ThingKind, Callable[[str], Kept[Any]]] = {
    ThingKind.PICK_PLAN: kept_pick_plan,
    ThingKind.COLD_ROOM: kept_cold_room,
}

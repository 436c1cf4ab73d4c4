"""What people enter and correct of blocks, and blocks that are taken off, as in `entries`."""

from __future__ import annotations

from collections.abc import Mapping

from fruitvision.crop_load import check_trunk
from fruitvision.domain import Block
from fruitvision.errors import ConflictError, FieldDataError
from fruitvision.pipeline.entries import now_utc, refuse_below
from fruitvision.register import check_register_rows
from fruitvision.store import Store
from fruitvision.store.things import kept_block


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

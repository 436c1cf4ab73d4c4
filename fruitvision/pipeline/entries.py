"""What people enter and correct of trees, one thing at a time: nobody's entry is taken away unseen.

Each function is given the thing as the person saw it (`seen`, None if they saw none) and as they
want it. Where somebody else changed the same fields meanwhile, nothing is saved and a
`ConflictError` tells both; `settling.settle` then saves what the person decides. Every change is
kept with who made it and when.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime

from fruitvision.domain import CaliperReading, HandCount, TreeId
from fruitvision.errors import FieldDataError
from fruitvision.pipeline.believable import check_day
from fruitvision.store import Store
from fruitvision.store.things import kept_calipers, kept_hand_count


def now_utc() -> datetime:
    """The moment that a change is kept with."""
    return datetime.now(UTC)


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

"""Which hand counts of a block are kept and used nowhere, as the farm stands now."""

from __future__ import annotations

from fruitvision.domain import HandCount
from fruitvision.pipeline.blocks import BlockWalks
from fruitvision.store import Store
from fruitvision.waiting_counts import WaitingCount, counts_that_wait


def waiting_counts(
    block_id: str, store: Store, walks: BlockWalks | None
) -> tuple[WaitingCount, ...]:
    """Counts of a block that enter no number, and why.

    Parameters
    ----------
    walks : BlockWalks or None
        What the block's photos gave; None if no estimate can be made of them.
    """
    counts = store.hand_counts(block_id)
    if not counts:
        return ()
    record = walks.record if walks is not None else None
    trees = [walk.trees for walk in (*record.walks, *record.others)] if record else []
    return counts_that_wait(counts, store.tree_photos(block_id), trees)


def wait_of(count: HandCount, store: Store, walks: BlockWalks | None) -> WaitingCount | None:
    """What one kept count waits for; None if it is used."""
    waiting = waiting_counts(count.tree.block_id, store, walks)
    return next((one for one in waiting if one.count == count), None)

"""The next walk through a block: drawn from its register, half of it from the walk before."""

from __future__ import annotations

from collections.abc import Sequence

from fruitvision.domain import RegisteredTree, TreeId, WalkPlan
from fruitvision.errors import FieldDataError, did_you_mean
from fruitvision.sampling import plan_walk, rows_of_positions
from fruitvision.store import Store
from fruitvision.tree import split_walks


def plan_next_walk(
    store: Store,
    block_id: str,
    *,
    trees: int,
    hand_counts: int = 0,
    row_lengths: Sequence[int] = (),
    seed: int,
) -> WalkPlan:
    """Draw the stops of a block's next walk.

    Parameters
    ----------
    row_lengths : sequence of int
        Positions of rows 1, 2, ...: for a block without a register.

    Raises
    ------
    FieldDataError
        If there is no such block, it has neither register nor row lengths, or the trees asked for
        are none or more than bear.
    """
    register = register_or_rows(store, block_id, row_lengths)
    return plan_walk(
        register,
        trees=trees,
        seed=seed,
        earlier=_trees_of_last_walk(store, block_id),
        hand_counts=hand_counts,
    )


def register_or_rows(
    store: Store, block_id: str, row_lengths: Sequence[int] = ()
) -> tuple[RegisteredTree, ...]:
    """The register of a block; where it has none, a plain one of its rows' lengths.

    Raises
    ------
    FieldDataError
        If there is no such block, or it has neither register nor row lengths.
    """
    names = [block.block_id for block in store.blocks()]
    if block_id not in names:
        raise FieldDataError(f"There is no block '{block_id}'.", fix=did_you_mean(block_id, names))
    register = store.register(block_id) or rows_of_positions(block_id, row_lengths)
    if not register:
        raise FieldDataError(
            f"{block_id} has no tree register.",
            fix="Load a register.csv, or give the positions of each row: --rows 54,54,52.",
        )
    return register


def _trees_of_last_walk(store: Store, block_id: str) -> tuple[TreeId, ...]:
    walks = split_walks(store.tree_photos(block_id))
    return tuple(sorted({photo.tree for photo in walks[-1]})) if walks else ()

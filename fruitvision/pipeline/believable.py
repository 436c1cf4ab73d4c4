"""Rows of field tables that can't be: a day out of the season, a place that the block has not."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import TypeVar

from fruitvision.domain import Block, TreeId
from fruitvision.errors import FieldDataError
from fruitvision.field_table import FieldTable, without
from fruitvision.store import Store

# Days after full bloom to which fruit hang. Our choice: the latest apples take some 200.
LONGEST_SEASON_DAYS = 240

Row = TypeVar("Row")


def believable_rows(
    table: FieldTable[Row],
    store: Store,
    *,
    tree_of: Callable[[Row], TreeId],
    day_of: Callable[[Row], date],
) -> FieldTable[Row]:
    """The table without rows of a day or a place that can't be; those are refused."""
    blocks = {block.block_id: block for block in store.blocks()}
    places = {
        block_id: frozenset(one.tree for one in store.register(block_id))
        for block_id in {tree_of(row).block_id for row in table.rows}
    }
    bad: dict[int, tuple[str, str]] = {}
    for line, row in zip(table.lines, table.rows, strict=True):
        tree = tree_of(row)
        block = blocks.get(tree.block_id)
        if block is None:
            continue
        try:
            check_place(tree, block, places[tree.block_id])
            check_day(day_of(row), block)
        except FieldDataError as err:
            bad[line] = err.what, err.fix
    return without(table, bad)


def check_place(tree: TreeId, block: Block, places: frozenset[TreeId]) -> None:
    """Refuse a place that the block has not.

    Parameters
    ----------
    places : frozenset of TreeId
        Its register; empty if there is none.

    Raises
    ------
    FieldDataError
        If it is not in the register, or beyond all places of the block.
    """
    beyond = max(tree.row, tree.position) > block.positions
    if (places and tree not in places) or beyond:
        raise FieldDataError(
            f"{tree.block_id} has no row {tree.row}, tree {tree.position}.",
            fix="Correct the row and the place, or the register.",
        )


def check_day(day: date, block: Block) -> None:
    """Refuse a day on which no fruit hang.

    Raises
    ------
    FieldDataError
        If it is before the full bloom of the block, where that is known, or long after it.
    """
    bloom = block.full_bloom_on
    if bloom is not None and not 0 <= (day - bloom).days <= LONGEST_SEASON_DAYS:
        raise FieldDataError(
            f"On {day} no fruit hang in {block.block_id}: its full bloom was on {bloom}.",
            fix="Correct the day, or the full bloom of the block.",
        )

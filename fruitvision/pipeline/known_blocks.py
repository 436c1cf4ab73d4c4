"""The blocks that rows of a walk folder may be of, once its list of blocks was looked through."""

from __future__ import annotations

from dataclasses import dataclass

from fruitvision.domain import Block
from fruitvision.field_data import TreeRow, check_blocks
from fruitvision.field_table import FieldTable, without
from fruitvision.pipeline.believable import odd_blocks
from fruitvision.store import Store


@dataclass(frozen=True, slots=True)
class KnownBlocks:
    """Blocks that rows may be of. `waiting` : names of new ones that are asked about first."""

    blocks: tuple[Block, ...]
    waiting: frozenset[str] = frozenset()

    def checked(self, table: FieldTable[TreeRow]) -> FieldTable[TreeRow]:
        """The table without rows of other blocks."""
        bad = {
            line: (
                f"Block '{row.tree.block_id}' stays out until it is clear.",
                "Answer first what is asked about it in blocks.csv.",
            )
            for line, row in zip(table.lines, table.rows, strict=True)
            if row.tree.block_id in self.waiting
        }
        return check_blocks(without(table, bad), self.blocks)


def blocks_meant(
    table: FieldTable[Block], store: Store, odd_lines: frozenset[int]
) -> tuple[FieldTable[Block], KnownBlocks]:
    """The list without blocks that are hardly meant, and those that rows may be of then."""
    odd = [one for one in odd_blocks(table, store, odd_lines) if not one.meant]
    bad = {
        one.line: (
            one.why,
            f"Correct it, or say that it is meant: on the page Tables, or by --odd {one.line}.",
        )
        for one in odd
    }
    kept = without(table, bad)
    names = {one.block_id for one in odd} - {one.block_id for one in kept.rows}
    before = tuple(one for one in store.blocks() if one.block_id in names)
    waiting = names - {one.block_id for one in before}
    return kept, KnownBlocks((*kept.rows, *before), frozenset(waiting))

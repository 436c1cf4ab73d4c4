"""The blocks that rows of a walk folder may be of, once its list of blocks was looked through.

A block that the farm knows already stays as it is: a walk's list may be older than what people
changed since. It fills in what the farm has not; where both say something else, that is told.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from math import isclose

from fruitvision.csv_file import CsvFile, Source
from fruitvision.domain import Block, FieldChange, differing
from fruitvision.errors import FieldDataError
from fruitvision.field_data import TreeRow, blocks_csv, check_blocks, read_blocks
from fruitvision.field_table import FieldTable, without
from fruitvision.pipeline.believable import odd_blocks
from fruitvision.pipeline.block_entries import check_block, check_name
from fruitvision.pipeline.told_columns import fields_told, with_fields_of
from fruitvision.records import to_plain
from fruitvision.register import check_register_rows
from fruitvision.store import Store

# Numbers that differ by less say the same: feet and acres come back with another last digit.
_SAME = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptBlock:
    """A block of which a walk's list says something else than the farm, which stays as it is.

    `fields` : each as the farm has it (`before`) and as the list has it (`after`).
    """

    block_id: str
    fields: tuple[FieldChange, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BlocksMeant:
    """A walk's list of blocks, looked through.

    `table` : blocks as they are to be kept. `known` : those that rows may be of. `kept` : of which
    the list says something else than the farm.
    """

    table: FieldTable[Block]
    known: KnownBlocks
    kept: tuple[KeptBlock, ...]


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


def checked_blocks(table: FieldTable[Block], store: Store) -> FieldTable[Block]:
    """The list without blocks that make no sense, or contradict the farm; one that the farm has
    just so stays."""
    there = set(store.blocks())
    bad: dict[int, tuple[str, str]] = {}
    for line, block in zip(table.lines, table.rows, strict=True):
        if block in there:
            continue
        try:
            check_block(block)
            check_name(block, store)
            register = store.register(block.block_id)
            if register:
                check_register_rows(block, register)
        except FieldDataError as err:
            bad[line] = err.what, err.fix
    return without(table, bad)


def blocks_meant(path: Source, store: Store, odd_lines: frozenset[int]) -> BlocksMeant:
    """A list of blocks without those that can't be or are hardly meant.

    Raises
    ------
    FieldDataError
        If the file can't be read or lacks a column.
    """
    source = blocks_csv(path)
    completed, kept = _farm_first(read_blocks(source), source, store)
    table = checked_blocks(completed, store)
    odd = [one for one in odd_blocks(table, store, odd_lines) if not one.meant]
    bad = {
        one.line: (
            one.why,
            f"Correct it, or say that it is meant: on the page Tables, or by --odd {one.line}.",
        )
        for one in odd
    }
    table = without(table, bad)
    names = {one.block_id for one in completed.rows} - {one.block_id for one in table.rows}
    before = tuple(one for one in store.blocks() if one.block_id in names)
    waiting = names - {one.block_id for one in before}
    return BlocksMeant(
        table=table,
        known=KnownBlocks((*table.rows, *before), frozenset(waiting)),
        kept=kept,
    )


def _farm_first(
    table: FieldTable[Block], source: CsvFile, store: Store
) -> tuple[FieldTable[Block], tuple[KeptBlock, ...]]:
    """The list with the farm's own fields of blocks that it knows, and what the list says instead.

    Only cells that are filled say something.
    """
    there = {block.block_id: block for block in store.blocks()}
    told = {
        row.line: fields_told(name for name in source.columns if row.text(name))
        for row in source.rows
    }
    rows: list[Block] = []
    kept: list[KeptBlock] = []
    for line, row in zip(table.lines, table.rows, strict=True):
        farm = there.get(row.block_id)
        if farm is None:
            rows.append(row)
            continue
        said = with_fields_of(row, farm, told[line])
        filled = _filled_in(farm, said)
        rows.append(filled)
        others = tuple(one for one in differing(to_plain(filled), to_plain(said)) if _differ(one))
        if others:
            kept.append(KeptBlock(block_id=row.block_id, fields=others))
    return replace(table, rows=tuple(rows)), tuple(kept)


def _filled_in(farm: Block, said: Block) -> Block:
    """The farm's block, with what it has not and the list says."""
    lacking = [one.name for one in fields(farm) if getattr(farm, one.name) in (None, "")]
    return replace(farm, **{name: getattr(said, name) for name in lacking})


def _differ(one: FieldChange) -> bool:
    before, after = one.before, one.after
    if isinstance(before, int | float) and isinstance(after, int | float):
        return not isclose(before, after, rel_tol=_SAME)
    return before != after

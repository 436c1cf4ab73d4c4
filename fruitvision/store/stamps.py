"""Whether anything of a block changed: a stamp of all rows that its estimate may rest on."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby

from sqlalchemy import Connection, Dialect, Select, bindparam, select

from fruitvision.store import tables
from fruitvision.store.database import reading
from fruitvision.store.edits import photo_edit
from fruitvision.store.part import StorePart


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockStamps:
    """Text that is another one where rows are others, by what the rows are of.

    `photos` : which photos show which tree, their measurements, edits, and calipered fruit in them.
    `hand_counts` : counts by hand. `others` : the block itself, calipers, register, places visited.
    """

    photos: str = ""
    hand_counts: str = ""
    others: str = ""


def _by_block(name: str) -> Select[tuple[object, ...]]:
    """All rows of a table that has the block in each row, the block first."""
    table = tables.metadata.tables[name]
    return select(table.c.block_id, *table.c).order_by(table.c.block_id, *table.primary_key)


def _by_photo(name: str) -> Select[tuple[object, ...]]:
    """All rows of a table that has a photo in each row, with the block of the photo."""
    table, placed = tables.metadata.tables[name], tables.tree_photo
    found = select(placed.c.block_id, *table.c).join(placed, placed.c.photo_id == table.c.photo_id)
    return found.order_by(placed.c.block_id, *table.primary_key)


def _measurements() -> Select[tuple[object, ...]]:
    """Numbers of measurements: one is never changed, and its number never given again."""
    measured, placed = tables.measurement.c, tables.tree_photo
    found = select(placed.c.block_id, measured.number).join(
        placed, placed.c.photo_id == measured.photo_id
    )
    return found.order_by(placed.c.block_id, measured.number)


_STAMPED: dict[str, tuple[Select[tuple[object, ...]], ...]] = {
    "photos": (
        _by_block(tables.tree_photo.name),
        _measurements(),
        _by_photo(photo_edit.name),
        _by_photo(tables.calipered_fruit.name),
    ),
    "hand_counts": (_by_block(tables.hand_count.name),),
    "others": (
        _by_block(tables.block.name),
        _by_block(tables.caliper_reading.name),
        _by_block(tables.registered_tree.name),
        _by_block(tables.visited_place.name),
    ),
}


def _of_one(query: Select[tuple[object, ...]]) -> Select[tuple[object, ...]]:
    """The rows of one block only."""
    return query.where(query.selected_columns[0] == bindparam("block_id"))


_ONE_BLOCK = {part: tuple(map(_of_one, queries)) for part, queries in _STAMPED.items()}


@dataclass(frozen=True, slots=True)
class _Texts:
    """Queries as the database reads them. `named` : it takes values by their names."""

    all: Mapping[str, tuple[str, ...]]
    one: Mapping[str, tuple[str, ...]]
    named: bool


_compiled: dict[str, _Texts] = {}


def _texts(dialect: Dialect) -> _Texts:
    """Compiled once: a farm has some ten thousand rows to look through after every write."""
    found = _compiled.get(dialect.name)
    if found is None:
        found = _compiled[dialect.name] = _compile(dialect)
    return found


def _compile(dialect: Dialect) -> _Texts:
    def text(queries: tuple[Select[tuple[object, ...]], ...]) -> tuple[str, ...]:
        return tuple(str(query.compile(dialect=dialect)) for query in queries)

    return _Texts(
        all={part: text(queries) for part, queries in _STAMPED.items()},
        one={part: text(queries) for part, queries in _ONE_BLOCK.items()},
        named=not dialect.positional,
    )


class StampsPart(StorePart):
    """What changed."""

    def block_stamps(self, block_id: str | None = None) -> Mapping[str, BlockStamps]:
        """The stamps of every block of the farm, or of one, all of one moment."""
        texts = _texts(self._engine.dialect)
        values = {} if block_id is None else {"block_id": block_id}
        queries_of = texts.one if values else texts.all
        given = values if texts.named else tuple(values.values())
        with reading(self._engine, self._path) as connection:
            parts = {
                part: _stamps(connection, part, queries, given)
                for part, queries in queries_of.items()
            }
        return {
            name: BlockStamps(**{part: stamps.get(name, "") for part, stamps in parts.items()})
            for name in parts["others"]
        }


def _stamps(
    connection: Connection,
    part: str,
    queries: tuple[str, ...],
    values: Mapping[str, str] | tuple[str, ...],
) -> dict[str, str]:
    hashes: dict[str, hashlib._Hash] = {}
    cursor = connection.connection.cursor()
    for number, query in enumerate(queries):
        cursor.execute(query, values)
        for name, rows in groupby(cursor.fetchall(), key=lambda row: row[0]):
            found = hashes.setdefault(name, hashlib.sha256(part.encode()))
            found.update(f"{number} {list(rows)!r}".encode())
    cursor.close()
    return {name: found.hexdigest() for name, found in hashes.items()}

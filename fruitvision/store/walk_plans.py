"""Walks that were drawn, so that the next scout goes on where the last one stopped."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from sqlalchemy import Column, Connection, String, Table, Text, insert, select, update

from fruitvision.domain import KeptWalk
from fruitvision.errors import StoreError
from fruitvision.records import from_json, to_json
from fruitvision.store.database import reading, writing
from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

# A walk is one document, changed as a whole inside one transaction.
walk_plan = Table(
    "walk_plan",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("drawn_on", String, primary_key=True),
    Column("document", Text, nullable=False),
)


class WalkPlansPart(StorePart):
    """Walks that are being walked, one a block and day."""

    def start_walk(self, walk: KeptWalk) -> KeptWalk:
        """Keep a walk, and give the one that is kept: the first one of its block and day stays."""
        block_id, drawn_on = walk.plan.block_id, walk.drawn_on
        with writing(self._engine, self._path) as connection:
            kept = _walk(connection, block_id, drawn_on)
            if kept is not None:
                return kept
            row = {
                "block_id": block_id,
                "drawn_on": drawn_on.isoformat(),
                "document": to_json(walk),
            }
            connection.execute(insert(walk_plan).values(row))
        return walk

    def change_walk(
        self, block_id: str, drawn_on: date, change: Callable[[KeptWalk], KeptWalk]
    ) -> KeptWalk:
        """Keep what `change` makes of the walk as it is now; two changes at once follow each other.

        Raises
        ------
        StoreError
            If there is no walk of that block and day.
        """
        with writing(self._engine, self._path) as connection:
            kept = _walk(connection, block_id, drawn_on)
            if kept is None:
                raise StoreError(
                    f"There is no walk of {drawn_on} through {block_id}.", fix="Start one."
                )
            walk = change(kept)
            connection.execute(
                update(walk_plan)
                .where(
                    walk_plan.c.block_id == block_id, walk_plan.c.drawn_on == drawn_on.isoformat()
                )
                .values(document=to_json(walk))
            )
        return walk

    def walks(self, block_id: str) -> tuple[KeptWalk, ...]:
        """The walks that were drawn for a block, the oldest first."""
        query = (
            select(walk_plan.c.document)
            .where(walk_plan.c.block_id == block_id)
            .order_by(walk_plan.c.drawn_on)
        )
        with reading(self._engine, self._path) as connection:
            found = connection.execute(query).scalars().all()
        return tuple(from_json(KeptWalk, text) for text in found)

    def walked_since(self, day: date) -> frozenset[str]:
        """Blocks with a walk that was drawn on that day or later."""
        query = select(walk_plan.c.block_id).where(walk_plan.c.drawn_on >= day.isoformat())
        with reading(self._engine, self._path) as connection:
            return frozenset(connection.execute(query).scalars())


def _walk(connection: Connection, block_id: str, drawn_on: date) -> KeptWalk | None:
    query = select(walk_plan.c.document).where(
        walk_plan.c.block_id == block_id, walk_plan.c.drawn_on == drawn_on.isoformat()
    )
    found = connection.execute(query).scalar()
    return None if found is None else from_json(KeptWalk, found)

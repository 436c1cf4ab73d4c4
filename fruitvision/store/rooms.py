"""Cold rooms."""

from __future__ import annotations

from sqlalchemy import Column, String, Table, Text

from fruitvision.domain import ColdRoom
from fruitvision.records import from_json
from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

cold_room = Table(
    "cold_room",
    metadata,
    Column("name", String, primary_key=True),
    Column("document", Text, nullable=False),
)


class RoomsPart(StorePart):
    """Where bins are stored."""

    def cold_rooms(self) -> tuple[ColdRoom, ...]:
        """All rooms by name, the order in which they are filled."""
        return tuple(from_json(ColdRoom, row["document"]) for row in self._all_of(cold_room))

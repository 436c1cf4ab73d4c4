"""Cold rooms."""

from __future__ import annotations

from sqlalchemy import Column, String, Table, Text

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

"""Packed lots, what a season did to a block, and what was learned of both."""

from __future__ import annotations

from sqlalchemy import Column, Integer, String, Table, Text

from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

packed_lot = Table(
    "packed_lot",
    metadata,
    Column("lot", String, primary_key=True),
    Column("packed_on", String, nullable=False),
    Column("document", Text, nullable=False),
)

season_note = Table(
    "season_note",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("season", Integer, primary_key=True, autoincrement=False),
    Column("document", Text, nullable=False),
)

learned_choice = Table(
    "learned_choice",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("at", String, nullable=False),
    Column("who", String, nullable=False),
    Column("document", Text, nullable=False),
    sqlite_autoincrement=True,
)


class LotsPart(StorePart):
    """What the packing house told, and what was made of it."""

"""What names in other papers mean on this farm."""

from __future__ import annotations

from sqlalchemy import Column, String, Table

from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

name_mapping = Table(
    "name_mapping",
    metadata,
    Column("kind", String, primary_key=True),
    Column("written", String, primary_key=True),
    Column("meant", String, nullable=False),
    Column("who", String, nullable=False),
    Column("at", String, nullable=False),
)


class MappingsPart(StorePart):
    """Names that somebody mapped once."""

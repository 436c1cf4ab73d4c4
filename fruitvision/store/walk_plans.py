"""Walks that were drawn, so that the next scout goes on where the last one stopped."""

from __future__ import annotations

from sqlalchemy import Column, String, Table, Text

from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

# A plan is one document: nobody changes a single stop of it.
walk_plan = Table(
    "walk_plan",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("drawn_on", String, primary_key=True),
    Column("document", Text, nullable=False),
)


class WalkPlansPart(StorePart):
    """Walk plans."""

"""Long work that goes on in the background."""

from __future__ import annotations

from sqlalchemy import JSON, Column, Integer, String, Table

from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

# `seen_at_utc` : when the process that does the job was last heard of.
job = Table(
    "job",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("kind", String, nullable=False),
    Column("state", String, nullable=False),
    Column("asked_by", String, nullable=False),
    Column("asked_at_utc", String, nullable=False),
    Column("seen_at_utc", String),
    Column("done", Integer, nullable=False),
    Column("total", Integer, nullable=False),
    Column("refused", JSON, nullable=False),
    sqlite_autoincrement=True,
)


class JobsPart(StorePart):
    """Jobs, how far they are, and whether they shall stop."""

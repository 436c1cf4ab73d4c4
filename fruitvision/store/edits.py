"""What people put right in photos."""

from __future__ import annotations

from sqlalchemy import Column, Integer, String, Table, Text

from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

# An edit is one document: it is undone as a whole, and never changed.
photo_edit = Table(
    "photo_edit",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("photo_id", String, nullable=False, index=True),
    Column("document", Text, nullable=False),
    Column("made_by", String, nullable=False),
    Column("made_at_utc", String, nullable=False),
    Column("undone_by", String),
    Column("undone_at_utc", String),
    sqlite_autoincrement=True,
)


class EditsPart(StorePart):
    """Edits of photos, each with who and when; undone ones stay in the record."""

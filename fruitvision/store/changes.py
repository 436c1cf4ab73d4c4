"""Who changed what, and when."""

from __future__ import annotations

from sqlalchemy import JSON, Column, Integer, String, Table

from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

# `about` names the thing that changed; `before` and `after` are its fields, None where it was not.
change = Table(
    "change",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("at_utc", String, nullable=False),
    Column("who", String, nullable=False),
    Column("what", String, nullable=False),
    Column("about", String, nullable=False, index=True),
    Column("before", JSON(none_as_null=True)),
    Column("after", JSON(none_as_null=True)),
    sqlite_autoincrement=True,
)


class ChangesPart(StorePart):
    """The record of changes."""

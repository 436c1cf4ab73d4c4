"""Kinds of columns that hold the same on SQLite and on PostgreSQL."""

from __future__ import annotations

from sqlalchemy import BigInteger, Integer

# SQLite keeps every whole number in up to 8 bytes; PostgreSQL's plain integer ends at 2³¹.
Whole = Integer().with_variant(BigInteger(), "postgresql")

"""What names in other papers mean on this farm."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from sqlalchemy import Column, String, Table, delete, select

from fruitvision.domain import NameMapping
from fruitvision.store import rows
from fruitvision.store.database import reading, writing
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

    def save_names(self, names: Iterable[NameMapping]) -> None:
        """Keep what names mean; a name that was kept before gets its new meaning."""
        self._upsert(name_mapping, list(map(_row, names)))

    def mapped_names(self, kind: str | None = None) -> tuple[NameMapping, ...]:
        """Names by kind and as they are written; of one kind, or all."""
        query = select(name_mapping).order_by(*name_mapping.primary_key)
        if kind is not None:
            query = query.where(name_mapping.c.kind == kind)
        with reading(self._engine, self._path) as connection:
            return tuple(map(_mapping, connection.execute(query).mappings()))

    def forget_name(self, kind: str, written: str) -> bool:
        """Take back what a name means; false if nobody said it."""
        column = name_mapping.c
        with writing(self._engine, self._path) as connection:
            found = connection.execute(
                delete(name_mapping).where(column.kind == kind, column.written == written)
            )
            return bool(found.rowcount)


def _row(one: NameMapping) -> rows.NewRow:
    at = one.at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="seconds")
    return {
        "kind": one.kind,
        "written": one.written,
        "meant": one.meant,
        "who": one.who,
        "at": at,
    }


def _mapping(row: rows.FoundRow) -> NameMapping:
    at = datetime.fromisoformat(row["at"]).replace(tzinfo=UTC)
    return NameMapping(
        kind=row["kind"], written=row["written"], meant=row["meant"], who=row["who"], at=at
    )

"""What people put right in photos."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime

from sqlalchemy import Column, ColumnElement, String, Table, Text, insert, select, update

from fruitvision.domain import (
    AddedFruit,
    CheckedPhoto,
    Correction,
    GroundLine,
    PhotoEdit,
    RemovedFruit,
    ReshapedFruit,
    RowOfFruit,
    SideLimits,
)
from fruitvision.errors import StoreError
from fruitvision.records import from_plain, to_plain
from fruitvision.store.columns import Whole
from fruitvision.store.database import reading, writing
from fruitvision.store.part import StorePart
from fruitvision.store.rows import FoundRow
from fruitvision.store.tables import metadata, tree_photo

# An edit is one document: it is undone as a whole, and never changed.
photo_edit = Table(
    "photo_edit",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("photo_id", String, nullable=False, index=True),
    Column("document", Text, nullable=False),
    Column("made_by", String, nullable=False),
    Column("made_at_utc", String, nullable=False),
    Column("undone_by", String),
    Column("undone_at_utc", String),
    sqlite_autoincrement=True,
)

# Name of each kind in its document; never changed once a farm may hold it.
_KINDS: dict[str, type[Correction]] = {
    "removed_fruit": RemovedFruit,
    "row_of_fruit": RowOfFruit,
    "added_fruit": AddedFruit,
    "reshaped_fruit": ReshapedFruit,
    "ground_line": GroundLine,
    "side_limits": SideLimits,
    "checked_photo": CheckedPhoto,
}
_NAMES = {kind: name for name, kind in _KINDS.items()}


class EditsPart(StorePart):
    """Edits of photos, each with who and when; undone ones stay in the record."""

    def save_photo_edits(
        self,
        photo_id: str,
        corrections: Sequence[Correction],
        *,
        made_by: str,
        made_at: datetime,
    ) -> tuple[PhotoEdit, ...]:
        """Keep what somebody put right in a photo, all of it or nothing; they get their numbers."""
        made_at = made_at.astimezone(UTC)
        kept = []
        with writing(self._engine, self._path) as connection:
            for correction in corrections:
                added = connection.execute(
                    insert(photo_edit).values(
                        photo_id=photo_id,
                        document=_document(correction),
                        made_by=made_by,
                        made_at_utc=made_at.isoformat(),
                    )
                )
                (number,) = added.inserted_primary_key or (0,)
                kept.append(
                    PhotoEdit(
                        number=int(number),
                        photo_id=photo_id,
                        correction=correction,
                        made_by=made_by,
                        made_at=made_at,
                    )
                )
        return tuple(kept)

    def undo_photo_edit(self, number: int, *, undone_by: str, undone_at: datetime) -> bool:
        """Let an edit count no more; False if somebody undid it before, whose name then stays."""
        column = photo_edit.c
        change = (
            update(photo_edit)
            .where(column.number == number, column.undone_at_utc.is_(None))
            .values(undone_by=undone_by, undone_at_utc=undone_at.astimezone(UTC).isoformat())
        )
        with writing(self._engine, self._path) as connection:
            return connection.execute(change).rowcount == 1

    def photo_edits(self, photo_id: str) -> tuple[PhotoEdit, ...]:
        """All edits of a photo, undone ones too, the oldest first."""
        return self._edits(photo_edit.c.photo_id == photo_id)

    def photo_edits_of(self, block_id: str | None = None) -> tuple[PhotoEdit, ...]:
        """All edits of the photos of a block, or of the farm, the oldest first."""
        if block_id is None:
            return self._edits(photo_edit.c.number > 0)
        of_block = select(tree_photo.c.photo_id).where(tree_photo.c.block_id == block_id)
        return self._edits(photo_edit.c.photo_id.in_(of_block))

    def latest_photo_edits(self, most: int) -> tuple[PhotoEdit, ...]:
        """So many edits of the farm that were made or undone last, the oldest first."""
        column = photo_edit.c
        made = select(column.number).order_by(column.number.desc()).limit(most)
        undone = (
            select(column.number)
            .where(column.undone_at_utc.is_not(None))
            .order_by(column.undone_at_utc.desc())
            .limit(most)
        )
        return self._edits(column.number.in_(made) | column.number.in_(undone))

    def _edits(self, which: ColumnElement[bool]) -> tuple[PhotoEdit, ...]:
        query = select(photo_edit).where(which).order_by(photo_edit.c.number)
        with reading(self._engine, self._path) as connection:
            return tuple(map(_edit, connection.execute(query).mappings()))


def _document(correction: Correction) -> str:
    plain = {"kind": _NAMES[type(correction)], **to_plain(correction)}
    return json.dumps(plain, ensure_ascii=False, allow_nan=False, sort_keys=True)


def _edit(row: FoundRow) -> PhotoEdit:
    fields = json.loads(row["document"])
    kind = _KINDS.get(fields.pop("kind"))
    if kind is None:
        raise StoreError(
            f"Edit {row['number']} of a photo is of a newer fruitvision.", fix="Update fruitvision."
        )
    undone_at = row["undone_at_utc"]
    return PhotoEdit(
        number=row["number"],
        photo_id=row["photo_id"],
        correction=from_plain(kind, fields),
        made_by=row["made_by"],
        made_at=datetime.fromisoformat(row["made_at_utc"]),
        undone_by=row["undone_by"],
        undone_at=datetime.fromisoformat(undone_at) if undone_at else None,
    )

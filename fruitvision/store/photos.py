"""Photos, what they gave, which trees they show, and the lenses that took them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from sqlalchemy import ColumnElement, Connection, Select, delete, exists, func, insert, select

from fruitvision.domain import (
    LensCalibration,
    MadeWith,
    MeasuredPhoto,
    PointedReference,
    TreePhoto,
)
from fruitvision.errors import StoreError
from fruitvision.photo_folder import find_photo, keep_photo
from fruitvision.store import rows, tables
from fruitvision.store.database import reading, refuse_if_read_only, writing
from fruitvision.store.part import StorePart, upsert

PHOTOS_NAME = "photos"


class PhotosPart(StorePart):
    """Photos and their results, lenses."""

    def keep_photo(self, path: Path, photo_id: str) -> Path:
        """Copy a photo file into the farm; returns the copy.

        Raises
        ------
        StoreError
            If the file can't be copied, or its sha256 is not `photo_id`.
        """
        refuse_if_read_only(self._engine)
        return keep_photo(path, photo_id, self.folder / PHOTOS_NAME)

    def photo_path(self, photo_id: str) -> Path:
        """The kept copy of a photo.

        Raises
        ------
        StoreError
            If the farm has no copy of it.
        """
        kept = find_photo(photo_id, self.folder / PHOTOS_NAME)
        if kept is None:
            raise StoreError(
                f"Photo {photo_id[:12]} is not in {self.folder / PHOTOS_NAME}.",
                fix="Load its walk again.",
            )
        return kept

    def save_measured_photo(self, measured: MeasuredPhoto) -> None:
        """Keep a result; it is now the one that counts for its photo."""
        self.save_measured_photos([measured])

    def save_measured_photos(self, photos: Iterable[MeasuredPhoto]) -> None:
        """Keep results, all of them or none."""
        with writing(self._engine, self._path) as connection:
            for measured in photos:
                self._save_measured_photo(connection, measured)

    def _save_measured_photo(self, connection: Connection, measured: MeasuredPhoto) -> None:
        query = _latest().where(tables.measurement.c.photo_id == measured.photo.photo_id)
        if rows.measured_photos(connection, query) == (measured,):
            return
        connection.execute(
            delete(tables.measurement).where(
                *_made_with(measured.photo.photo_id, measured.made_with)
            )
        )
        upsert(connection, tables.photo, [rows.photo_row(measured.photo)])
        number = connection.execute(
            insert(tables.measurement)
            .values(rows.measurement_row(measured))
            .returning(tables.measurement.c.number)
        ).scalar_one()
        fruit_rows = rows.fruit_rows(measured, number)
        if fruit_rows:
            connection.execute(insert(tables.fruit), fruit_rows)

    def measured_photo(self, photo_id: str, made_with: MadeWith) -> MeasuredPhoto | None:
        """The result of a photo made with just this, or None."""
        query = select(tables.measurement.c.number).where(*_made_with(photo_id, made_with))
        with reading(self._engine, self._path) as connection:
            found = rows.measured_photos(connection, query)
        return found[0] if found else None

    def measured_ids(self, photo_ids: Sequence[str], made_with: MadeWith) -> frozenset[str]:
        """Those of some hundred photos that have a result made with just this."""
        column = tables.measurement.c
        query = select(column.photo_id).where(
            column.photo_id.in_(photo_ids),
            column.version == made_with.version,
            column.detector == made_with.detector,
            column.settings_sha256 == made_with.settings_sha256,
        )
        with reading(self._engine, self._path) as connection:
            return frozenset(connection.execute(query).scalars())

    def measured_photos_of(self, block_id: str, made_with: MadeWith) -> tuple[MeasuredPhoto, ...]:
        """The results of a block's photos made with just this, by photo name."""
        column = tables.measurement.c
        of_block = select(tables.tree_photo.c.photo_id).where(
            tables.tree_photo.c.block_id == block_id
        )
        query = select(column.number).where(
            column.photo_id.in_(of_block),
            column.version == made_with.version,
            column.detector == made_with.detector,
            column.settings_sha256 == made_with.settings_sha256,
        )
        with reading(self._engine, self._path) as connection:
            return rows.measured_photos(connection, query)

    def measured_photos(self, block_id: str | None = None) -> tuple[MeasuredPhoto, ...]:
        """The result that counts of every photo, of one block or all, by photo name."""
        query = _latest()
        if block_id is not None:
            placed = tables.tree_photo.c
            of_block = select(placed.photo_id).where(placed.block_id == block_id)
            query = query.where(tables.measurement.c.photo_id.in_(of_block))
        with reading(self._engine, self._path) as connection:
            return rows.measured_photos(connection, query)

    def photo_names(self) -> dict[str, str]:
        """Name of every measured photo by photo_id."""
        query = select(tables.photo.c.photo_id, tables.photo.c.name)
        with reading(self._engine, self._path) as connection:
            return {row.photo_id: row.name for row in connection.execute(query)}

    def save_tree_photos(self, photos: Iterable[TreePhoto]) -> None:
        """Say which tree and face each photo shows; the last word on a photo counts."""
        self._upsert(tables.tree_photo, [rows.tree_row(photo) for photo in photos])

    def tree_photos(self, block_id: str | None = None) -> tuple[TreePhoto, ...]:
        """Photos by tree and face."""
        return tuple(map(rows.tree_photo, self._of_block(tables.tree_photo, block_id)))

    def tree_photo(self, photo_id: str) -> TreePhoto | None:
        """The tree and face that a photo shows, or None."""
        table = tables.tree_photo
        query = select(table).where(table.c.photo_id == photo_id)
        with reading(self._engine, self._path) as connection:
            row = connection.execute(query).mappings().first()
        return None if row is None else rows.tree_photo(row)

    def take_photo_off(self, photo_id: str) -> None:
        """Say that a photo shows no tree of the farm; its file and what it gave stay."""
        table = tables.tree_photo
        with writing(self._engine, self._path) as connection:
            connection.execute(delete(table).where(table.c.photo_id == photo_id))

    def unmeasured(self, block_id: str, made_with: MadeWith) -> tuple[str, ...]:
        """Ids of a block's photos that have no result made with just this."""
        placed, measured = tables.tree_photo.c, tables.measurement.c
        # Looked up photo by photo: the results of all other blocks are no matter.
        done = exists().where(
            measured.photo_id == placed.photo_id,
            measured.version == made_with.version,
            measured.detector == made_with.detector,
            measured.settings_sha256 == made_with.settings_sha256,
        )
        query = (
            select(placed.photo_id)
            .where(placed.block_id == block_id, ~done)
            .order_by(placed.row, placed.position, placed.face, placed.place)
        )
        with reading(self._engine, self._path) as connection:
            return tuple(connection.execute(query).scalars())

    def save_pointed_references(
        self, photo_id: str, references: Sequence[PointedReference]
    ) -> None:
        """Keep the references that a person pointed at in a photo, in place of earlier ones.

        Where they differ, the photo's results are forgotten: they were measured with the others.
        """
        if self.pointed_references(photo_id) == tuple(references):
            return
        table = tables.pointed_reference
        new_rows = [
            rows.pointed_reference_row(one, photo_id, number)
            for number, one in enumerate(references, start=1)
        ]
        with writing(self._engine, self._path) as connection:
            connection.execute(delete(table).where(table.c.photo_id == photo_id))
            if new_rows:
                connection.execute(insert(table), new_rows)
            measured = tables.measurement
            connection.execute(delete(measured).where(measured.c.photo_id == photo_id))

    def pointed_references(self, photo_id: str) -> tuple[PointedReference, ...]:
        """The references that a person pointed at in a photo, in their order."""
        table = tables.pointed_reference
        query = select(table).where(table.c.photo_id == photo_id).order_by(table.c.number)
        with reading(self._engine, self._path) as connection:
            return tuple(map(rows.pointed_reference, connection.execute(query).mappings()))

    def save_lens(self, lens: LensCalibration) -> None:
        """Add a phone's calibration, or replace the one of the same phone, lens and size."""
        self._upsert(tables.lens_calibration, [rows.lens_row(lens)])

    def lenses(self) -> tuple[LensCalibration, ...]:
        """All calibrations, by name."""
        return tuple(map(rows.lens, self._all_of(tables.lens_calibration)))


def _latest() -> Select[tuple[int]]:
    """Numbers of the results that count."""
    column = tables.measurement.c
    return select(func.max(column.number)).group_by(column.photo_id)


def _made_with(photo_id: str, made_with: MadeWith) -> tuple[ColumnElement[bool], ...]:
    column = tables.measurement.c
    return (
        column.photo_id == photo_id,
        column.version == made_with.version,
        column.detector == made_with.detector,
        column.settings_sha256 == made_with.settings_sha256,
    )

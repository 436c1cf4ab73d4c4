"""What people counted, calipered and weighed; culls and grades."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import delete, select

from fruitvision.domain import (
    CaliperedFruit,
    CaliperReading,
    HandCount,
    VarietyCull,
    VarietyGrade,
    WeighedFruit,
)
from fruitvision.store import rows, tables
from fruitvision.store.database import reading, writing
from fruitvision.store.part import StorePart, upsert


class HandWorkPart(StorePart):
    """Counts, caliper readings, weights, culls and grades."""

    def save_hand_counts(self, counts: Iterable[HandCount]) -> None:
        """Add counts, or replace those of the same tree, day and protocol."""
        self._upsert(tables.hand_count, [rows.tree_row(count) for count in counts])

    def hand_counts(self, block_id: str | None = None) -> tuple[HandCount, ...]:
        """Hand counts by tree and day."""
        return tuple(map(rows.hand_count, self._of_block(tables.hand_count, block_id)))

    def save_caliper_readings(self, readings: Iterable[CaliperReading]) -> None:
        """Add readings, or replace those of the same tree, day and fruit.

        Fruit without a name are one set per tree and day: a save replaces that set as a whole.
        """
        new_rows = rows.caliper_rows(readings)
        sets = {
            (row["block_id"], row["row"], row["position"], row["measured_on"])
            for row in new_rows
            if not row["fruit"]
        }
        column = tables.caliper_reading.c
        with writing(self._engine, self._path) as connection:
            for block_id, row, position, measured_on in sets:
                connection.execute(
                    delete(tables.caliper_reading).where(
                        column.block_id == block_id,
                        column.row == row,
                        column.position == position,
                        column.measured_on == measured_on,
                        column.fruit == "",
                    )
                )
            upsert(connection, tables.caliper_reading, new_rows)

    def caliper_readings(self, block_id: str | None = None) -> tuple[CaliperReading, ...]:
        """Caliper readings by tree, day and fruit."""
        return tuple(map(rows.caliper_reading, self._of_block(tables.caliper_reading, block_id)))

    def save_calipered_fruit(self, fruit: Iterable[CaliperedFruit]) -> None:
        """Add fruit that were calipered in photos, or replace those at the same place."""
        self._upsert(tables.calipered_fruit, list(map(rows.calipered_fruit_row, fruit)))

    def forget_calipered_fruit(self, fruit: CaliperedFruit) -> None:
        """Take a calipered fruit out again; nothing happens if it is not there."""
        table, row = tables.calipered_fruit, rows.calipered_fruit_row(fruit)
        with writing(self._engine, self._path) as connection:
            connection.execute(
                delete(table).where(*(column == row[column.name] for column in table.primary_key))
            )

    def calipered_fruit(self, block_id: str | None = None) -> tuple[CaliperedFruit, ...]:
        """Fruit that were calipered in photos, by photo and place."""
        table, photos = tables.calipered_fruit, tables.tree_photo.c
        query = select(table).order_by(*table.primary_key)
        if block_id is not None:
            of_block = select(photos.photo_id).where(photos.block_id == block_id)
            query = query.where(table.c.photo_id.in_(of_block))
        with reading(self._engine, self._path) as connection:
            return tuple(map(rows.calipered_fruit, connection.execute(query).mappings()))

    def save_weighed_fruit(self, fruit: Iterable[WeighedFruit]) -> None:
        """Add weighed fruit; those without a name replace the unnamed set of variety and day."""
        new_rows = rows.weighed_rows(fruit)
        sets = {(row["variety"], row["weighed_on"]) for row in new_rows if not row["fruit"]}
        column = tables.weighed_fruit.c
        with writing(self._engine, self._path) as connection:
            for variety, weighed_on in sorted(sets):
                connection.execute(
                    delete(tables.weighed_fruit).where(
                        column.variety == variety,
                        column.weighed_on == weighed_on,
                        column.fruit == "",
                    )
                )
            upsert(connection, tables.weighed_fruit, new_rows)

    def weighed_fruit(self) -> tuple[WeighedFruit, ...]:
        """Weighed fruit of all varieties, by variety and day."""
        return tuple(map(rows.weighed_fruit, self._all_of(tables.weighed_fruit)))

    def save_culls(self, culls: Iterable[VarietyCull]) -> None:
        """Keep the culls of each variety that is named, in place of those before."""
        self._replace_varieties(tables.variety_cull, list(map(rows.plain_row, culls)))

    def culls(self) -> tuple[VarietyCull, ...]:
        """Culls by variety and size class."""
        return tuple(map(rows.variety_cull, self._all_of(tables.variety_cull)))

    def save_grades(self, grades: Iterable[VarietyGrade]) -> None:
        """Keep the grades of each variety that is named, in place of those before."""
        self._replace_varieties(tables.variety_grade, list(map(rows.plain_row, grades)))

    def grades(self) -> tuple[VarietyGrade, ...]:
        """Grades by variety and size class."""
        return tuple(map(rows.variety_grade, self._all_of(tables.variety_grade)))

"""A season taken off a farm for good: rows, what was noted of them, their traces in the file."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Connection, Table, bindparam, delete, func, insert, select, update

from fruitvision.domain import ThingKind
from fruitvision.errors import StoreError
from fruitvision.store import tables
from fruitvision.store.changes import change
from fruitvision.store.database import reading, writing
from fruitvision.store.jobs import job
from fruitvision.store.part import StorePart
from fruitvision.store.traces import forget_traces
from fruitvision.store.walk_plans import walk_plan

# Tables with a day in each row, and the column that holds it.
_DAYS: Mapping[str, str] = {
    tables.tree_photo.name: "walked_on",
    tables.hand_count.name: "counted_on",
    tables.caliper_reading.name: "measured_on",
    tables.visited_place.name: "visited_on",
    walk_plan.name: "drawn_on",
}
# Kinds of things that are named with their day in the record of changes. Others but references are
# of no season, or go with what stays: passes with tickets, harvest rests with forecasts, notes of a
# season with lots.
_DATED_KINDS = (ThingKind.HAND_COUNT, ThingKind.CALIPERS, ThingKind.WALK, ThingKind.PLACE)
_DAY = re.compile(r", (\d{4}-\d\d-\d\d)")
# Under this name the change of a block keeps what went with it.
_HANGING = "hanging"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonHolds:
    """What a season holds. `photo_ids` : of its photos, also those that show no tree any longer.

    `rows` : how many rows of which table, those without any left out. `jobs`, `changes` : jobs
    asked for in it, and entries of the record of changes about its counts, calipers, places of its
    walks and photos.
    """

    photo_ids: frozenset[str]
    rows: Mapping[str, int]
    jobs: int
    changes: int

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing of the season."""
        return not (self.photo_ids or self.rows or self.jobs or self.changes)


class SeasonPart(StorePart):
    """What a season holds, and how it goes."""

    def season_holds(self, first: date, last: date) -> SeasonHolds:
        """What the farm holds of the days from the first to the last one."""
        with reading(self._engine, self._path) as connection:
            return _holds(connection, first, last)

    def take_season_off(
        self,
        first: date,
        last: date,
        *,
        expected: SeasonHolds,
        about: str,
        who: str,
        at: datetime,
        take_files: Callable[[frozenset[str]], None],
    ) -> bool:
        """Take a season off for good: all rows or none; whether no trace is left in the file.

        Files go before the rows are let go of: where that is broken off, the rows are all there
        and it can be done again.

        Parameters
        ----------
        expected : SeasonHolds
            What the person was told.
        about : str
            Name of the season in the record of changes.
        take_files : callable
            Takes the files of these photos away.

        Raises
        ------
        StoreError
            If the season holds something else by now.
        """
        with writing(self._engine, self._path) as connection:
            # What is deleted is written over, not only marked as free.
            if connection.dialect.name == "sqlite":
                connection.exec_driver_sql("PRAGMA secure_delete = ON")
            found = _holds(connection, first, last)
            if found != expected:
                raise StoreError(
                    "Something of the season was added or taken off meanwhile.",
                    fix="See what it holds now, and confirm again.",
                )
            _take_rows(connection, first, last, found.photo_ids)
            connection.execute(
                insert(change).values(
                    at_utc=at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="seconds"),
                    who=who,
                    kind=ThingKind.SEASON.value,
                    about=about,
                    before={"photos": len(found.photo_ids), **found.rows},
                    after=None,
                )
            )
            take_files(found.photo_ids)
        return forget_traces(self._engine)


def _within(table: Table, column: str, first: date, last: date) -> Any:
    """Rows of these days, whatever time of the day stands behind them."""
    return func.substr(table.c[column], 1, 10).between(first.isoformat(), last.isoformat())


def _holds(connection: Connection, first: date, last: date) -> SeasonHolds:
    photo_ids = _photos(connection, first, last)
    rows: dict[str, int] = {}
    for name, column in _DAYS.items():
        table = tables.metadata.tables[name]
        query = select(func.count()).select_from(table).where(_within(table, column, first, last))
        rows[name] = connection.scalar(query) or 0
    for table in (tables.measurement, *_of_photos()):
        query = select(func.count()).where(table.c.photo_id == bindparam("one"))
        rows[table.name] = sum(
            connection.scalar(query, {"one": photo_id}) or 0 for photo_id in photo_ids
        )
    of_fruit = (
        select(func.count())
        .select_from(tables.fruit.join(tables.measurement))
        .where(tables.measurement.c.photo_id == bindparam("one"))
    )
    rows[tables.fruit.name] = sum(
        connection.scalar(of_fruit, {"one": photo_id}) or 0 for photo_id in photo_ids
    )
    asked = select(func.count()).select_from(job).where(_within(job, "asked_at_utc", first, last))
    return SeasonHolds(
        photo_ids=photo_ids,
        rows={name: number for name, number in rows.items() if number},
        jobs=connection.scalar(asked) or 0,
        changes=len(_changes(connection, first, last, photo_ids)),
    )


def _of_photos() -> tuple[Table, ...]:
    """Tables with a photo in each row, other than those that say what it is and gave."""
    own = {tables.photo.name, tables.tree_photo.name, tables.measurement.name}
    return tuple(
        table
        for table in tables.metadata.sorted_tables
        if "photo_id" in table.c and table.name not in own
    )


def _photos(connection: Connection, first: date, last: date) -> frozenset[str]:
    """Photos of the season's walks; of those that show no tree, the ones taken or sent in it."""
    placed, photo = tables.tree_photo, tables.photo
    walked = select(placed.c.photo_id).where(_within(placed, "walked_on", first, last))
    found = set(connection.execute(walked).scalars())
    elsewhere = set(connection.execute(select(placed.c.photo_id)).scalars()) - found
    taken = select(photo.c.photo_id).where(_within(photo, "taken_at_utc", first, last))
    found |= set(connection.execute(taken).scalars())
    undated = select(photo.c.photo_id).where(photo.c.taken_at_utc.is_not(None))
    dated = set(connection.execute(undated).scalars())
    sent = select(job.c.names).where(_within(job, "asked_at_utc", first, last))
    for names in connection.execute(sent).scalars():
        found |= set(names) - dated
    return frozenset(found - elsewhere)


def _changes(
    connection: Connection, first: date, last: date, photo_ids: frozenset[str]
) -> tuple[int, ...]:
    """Numbers of the entries that name a day of the season, or one of its photos."""
    query = select(change.c.number, change.c.about)
    dated = connection.execute(query.where(change.c.kind.in_(_DATED_KINDS))).all()
    of_photos = connection.execute(query.where(change.c.kind == ThingKind.REFERENCES)).all()
    return tuple(
        row.number
        for row in dated
        if (days := _DAY.findall(row.about)) and first.isoformat() <= days[-1] <= last.isoformat()
    ) + tuple(row.number for row in of_photos if row.about in photo_ids)


def _take_rows(connection: Connection, first: date, last: date, photo_ids: frozenset[str]) -> None:
    ones = [{"one": photo_id} for photo_id in sorted(photo_ids)]
    if ones:
        for table in (*_of_photos(), tables.measurement, tables.tree_photo, tables.photo):
            connection.execute(delete(table).where(table.c.photo_id == bindparam("one")), ones)
    for name, column in _DAYS.items():
        table = tables.metadata.tables[name]
        connection.execute(delete(table).where(_within(table, column, first, last)))
    connection.execute(delete(job).where(_within(job, "asked_at_utc", first, last)))
    for row in connection.execute(select(job.c.number, job.c.names)).all():
        kept = {photo: name for photo, name in row.names.items() if photo not in photo_ids}
        if kept != row.names:
            connection.execute(update(job).where(job.c.number == row.number).values(names=kept))
    numbers = _changes(connection, first, last, photo_ids)
    if numbers:
        gone = delete(change).where(change.c.number == bindparam("one"))
        connection.execute(gone, [{"one": number} for number in numbers])
    _take_from_blocks(connection, first, last)


def _take_from_blocks(connection: Connection, first: date, last: date) -> None:
    """Take the season's rows out of what is noted of blocks that were taken off."""
    noted = select(change.c.number, change.c.before).where(change.c.kind == ThingKind.BLOCK.value)
    for row in connection.execute(noted).all():
        if not row.before or _HANGING not in row.before:
            continue
        kept = {
            name: [
                one
                for one in rows
                if not first.isoformat()
                <= str(one.get(_DAYS.get(name, ""), ""))[:10]
                <= last.isoformat()
            ]
            for name, rows in row.before[_HANGING].items()
        }
        if kept != row.before[_HANGING]:
            before = {**row.before, _HANGING: {name: rows for name, rows in kept.items() if rows}}
            connection.execute(
                update(change).where(change.c.number == row.number).values(before=before)
            )

"""Who changed what, and when; saves that take nobody's entry away unseen."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import TypeVar

from sqlalchemy import JSON, Column, Connection, String, Table, delete, insert, select

from fruitvision.domain import Change, Conflict, ThingKind
from fruitvision.errors import ConflictError, StoreError
from fruitvision.store import block_off, rows
from fruitvision.store.columns import Whole
from fruitvision.store.database import reading, writing
from fruitvision.store.merge import Fields, Merged, merge
from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata
from fruitvision.store.things import Kept, kept_block

R = TypeVar("R")

# `kind` and `about` name the thing that changed; `before` and `after` are its fields, None where it
# was not.
change = Table(
    "change",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("at_utc", String, nullable=False),
    Column("who", String, nullable=False),
    Column("kind", String, nullable=False),
    Column("about", String, nullable=False, index=True),
    Column("before", JSON(none_as_null=True)),
    Column("after", JSON(none_as_null=True)),
    sqlite_autoincrement=True,
)


class ChangesPart(StorePart):
    """The record of changes, and saves that keep it."""

    def save_seen(
        self,
        kept: Kept[R],
        seen: R | None,
        mine: R | None,
        *,
        who: str,
        at: datetime,
        check: Callable[[R], None] | None = None,
    ) -> R | None:
        """Save a thing that a person changed, unless somebody else changed the same meanwhile.

        Fields that only they changed stay as they made them. The same save again changes nothing.

        Parameters
        ----------
        seen : record or None
            The thing as the person saw it; None if they saw none.
        mine : record or None
            The thing as they want it; None takes it out.
        who, at : str, datetime
            Kept beside the change.
        check : callable, optional
            Raises a FruitVisionError where what would be kept makes no sense.

        Returns
        -------
        record or None
            What is kept now.

        Raises
        ------
        ConflictError
            If both changed a field, each in their way. Nothing is saved then.
        """
        with writing(self._engine, self._path) as connection:
            theirs = _present(connection, kept)
            merged = merge(*(_fields(kept, one) for one in (seen, mine, theirs)))
            if merged.clashes:
                raise _conflict(kept, theirs, merged, _latest(connection, kept))
            new = None if merged.fields is None else kept.made(merged.fields)
            if check is not None and new is not None:
                check(new)
            _put(connection, kept, theirs, new, who=who, at=at)
        return new

    def save_each(
        self,
        changes: Sequence[tuple[Kept[R], Callable[[R | None], R | None]]],
        *,
        who: str,
        at: datetime,
    ) -> int:
        """Save many things at once, whatever they were; how many of them changed.

        Parameters
        ----------
        changes : sequence of (kept, callable)
            The callable is given the thing as it is kept now and returns it as it shall be.
        """
        done = 0
        with writing(self._engine, self._path) as connection:
            for kept, of in changes:
                present = _present(connection, kept)
                done += _put(connection, kept, present, of(present), who=who, at=at)
        return done

    def hanging_on(self, block_id: str) -> Mapping[str, int]:
        """How many rows of which table go with a block that is taken off."""
        with reading(self._engine, self._path) as connection:
            return _counted(block_off.hanging_on(connection, block_id))

    def take_block_off(
        self, block_id: str, *, expected: Mapping[str, int], who: str, at: datetime
    ) -> None:
        """Take a block off the farm with all that hangs on it.

        Photo files, what was measured in them, and forecasts stay. The rows that go are kept in
        the record of changes, in `before` under `hanging`, by table.

        Parameters
        ----------
        expected : mapping of str to int
            What hung on it (see `hanging_on`) as the person was told.

        Raises
        ------
        StoreError
            If there is no such block, or something else hangs on it by now.
        """
        kept = kept_block(block_id)
        with writing(self._engine, self._path) as connection:
            present = _present(connection, kept)
            if present is None:
                raise StoreError(f"There is no block '{block_id}'.", fix="Load the page again.")
            hanging = block_off.hanging_on(connection, block_id)
            if _counted(hanging) != dict(expected):
                raise StoreError(
                    f"Something was added to {block_id} or taken from it meanwhile.",
                    fix="See what hangs on it now, and confirm again.",
                )
            block_off.take_off(connection, block_id)
            before = kept.taken_apart(present)
            if hanging:
                before["hanging"] = {name: list(rows) for name, rows in hanging.items()}
            _note(connection, kept.kind, kept.about, before, None, who=who, at=at)

    def note_change(
        self,
        kind: ThingKind,
        about: str,
        before: Fields | None,
        after: Fields | None,
        *,
        who: str,
        at: datetime,
    ) -> None:
        """Keep who changed a thing that is kept by other means, from what to what."""
        with writing(self._engine, self._path) as connection:
            _note(connection, kind, about, before, after, who=who, at=at)

    def note_table(self, name: str, rows_in: int, *, who: str, at: datetime) -> None:
        """Keep that somebody loaded so many rows of a table of the office."""
        with writing(self._engine, self._path) as connection:
            after = {"rows": rows_in}
            _note(connection, ThingKind.TABLE, name, None, after, who=who, at=at)

    def present(self, kept: Kept[R]) -> R | None:
        """A thing as it is kept now."""
        with reading(self._engine, self._path) as connection:
            return _present(connection, kept)

    def changes(
        self, *, kind: ThingKind | None = None, about: str | None = None, most: int | None = None
    ) -> tuple[Change, ...]:
        """Changes, the latest first; of one kind, of one thing, or of all."""
        query = select(change).order_by(change.c.number.desc())
        if kind is not None:
            query = query.where(change.c.kind == kind.value)
        if about is not None:
            query = query.where(change.c.about == about)
        if most is not None:
            query = query.limit(most)
        with reading(self._engine, self._path) as connection:
            return tuple(map(_change, connection.execute(query).mappings()))


def _counted(hanging: block_off.Hanging) -> dict[str, int]:
    return {name: len(rows) for name, rows in hanging.items()}


def _change(row: rows.FoundRow) -> Change:
    if row["kind"] not in set(ThingKind):
        raise StoreError(
            f"Change {row['number']} is of a newer fruitvision.", fix="Update fruitvision."
        )
    return Change(
        number=row["number"],
        at=datetime.fromisoformat(row["at_utc"]).replace(tzinfo=UTC),
        who=row["who"],
        kind=ThingKind(row["kind"]),
        about=row["about"],
        before=row["before"],
        after=row["after"],
    )


def _fields(kept: Kept[R], one: R | None) -> Fields | None:
    return None if one is None else kept.taken_apart(one)


def _present(connection: Connection, kept: Kept[R]) -> R | None:
    query = select(kept.table).order_by(*kept.table.primary_key)
    for name, value in kept.key.items():
        query = query.where(kept.table.c[name] == value)
    return kept.read(connection.execute(query).mappings().all())


def _latest(connection: Connection, kept: Kept[R]) -> Change | None:
    query = select(change).where(change.c.kind == kept.kind.value, change.c.about == kept.about)
    row = connection.execute(query.order_by(change.c.number.desc()).limit(1)).mappings().first()
    return None if row is None else _change(row)


def _put(
    connection: Connection,
    kept: Kept[R],
    before: R | None,
    after: R | None,
    *,
    who: str,
    at: datetime,
) -> bool:
    """Keep a thing and its change; false if it is as it was."""
    was, shall_be = _fields(kept, before), _fields(kept, after)
    if was == shall_be:
        return False
    connection.execute(
        delete(kept.table).where(*(kept.table.c[name] == value for name, value in kept.key.items()))
    )
    new_rows = [] if after is None else kept.write(after)
    if new_rows:
        connection.execute(insert(kept.table), new_rows)
    _note(connection, kept.kind, kept.about, was, shall_be, who=who, at=at)
    return True


def _note(
    connection: Connection,
    kind: ThingKind,
    about: str,
    before: Fields | None,
    after: Fields | None,
    *,
    who: str,
    at: datetime,
) -> None:
    connection.execute(
        insert(change).values(
            at_utc=at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="seconds"),
            who=who,
            kind=kind.value,
            about=about,
            before=before,
            after=after,
        )
    )


def _conflict(
    kept: Kept[R], theirs: R | None, merged: Merged, latest: Change | None
) -> ConflictError:
    found = Conflict(
        kind=kept.kind,
        about=kept.about,
        theirs=theirs,
        mine=None if merged.fields is None else kept.made(merged.fields),
        fields=merged.clashes,
        who=latest.who if latest else "",
        at=latest.at if latest else None,
    )
    name = f"The {found.kind.value} {found.about}".strip()
    told = ", ".join(f"{one.name}: {one.before} now, {one.after} here" for one in found.fields)
    return ConflictError(
        f"{name} was changed meanwhile by {found.who or 'somebody'}: {told}.",
        fix="Choose which of the two stays.",
        conflict=found,
    )

"""Long work that goes on in the background: a list of jobs that outlives every process."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from sqlalchemy import (
    JSON,
    Column,
    Connection,
    String,
    Table,
    Update,
    cast,
    delete,
    insert,
    select,
    update,
)

from fruitvision.domain import Job, JobKind, JobState, TreePhoto
from fruitvision.domain.job import OPEN_STATES
from fruitvision.store import rows, tables
from fruitvision.store.columns import Whole
from fruitvision.store.database import reading, writing
from fruitvision.store.part import StorePart, upsert
from fruitvision.store.tables import metadata

# `seen_at_utc` : when the process that does the job was last heard of.
job = Table(
    "job",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("kind", String, nullable=False),
    Column("state", String, nullable=False),
    Column("asked_by", String, nullable=False),
    Column("asked_at_utc", String, nullable=False),
    Column("names", JSON, nullable=False),
    Column("folder", String, nullable=False),
    Column("seen_at_utc", String),
    Column("started_at_utc", String),
    Column("started_done", Whole, nullable=False),
    Column("starts", Whole, nullable=False),
    Column("done", Whole, nullable=False),
    Column("total", Whole, nullable=False),
    Column("refused", JSON, nullable=False),
    Column("problem", JSON(none_as_null=True)),
    sqlite_autoincrement=True,
)
_OPEN = tuple(state.value for state in OPEN_STATES)


class JobsPart(StorePart):
    """Jobs, how far they are, and whether they shall stop."""

    def ask_job(
        self,
        kind: JobKind,
        *,
        by: str,
        at: datetime,
        names: Mapping[str, str] | None = None,
        folder: str = "",
        placed: Sequence[TreePhoto] = (),
        refused: Sequence[tuple[str, str, str]] = (),
    ) -> Job:
        """Want a job done; the photos that it measures are placed in the same transaction.

        What was `refused` before there was a job is kept with it.
        """
        with writing(self._engine, self._path) as connection:
            upsert(connection, tables.tree_photo, [rows.tree_row(photo) for photo in placed])
            number = connection.execute(
                insert(job)
                .values(
                    kind=kind.value,
                    state=JobState.WANTED.value,
                    asked_by=by,
                    asked_at_utc=_text(at),
                    names=dict(names or {}),
                    folder=folder,
                    started_done=0,
                    starts=0,
                    done=0,
                    total=len(names or {}),
                    refused=list(map(list, refused)),
                )
                .returning(job.c.number)
            ).scalar_one()
            return _job(connection, number)

    def job(self, number: int) -> Job:
        """A job by its number."""
        with reading(self._engine, self._path) as connection:
            return _job(connection, number)

    def jobs(self, *, only_open: bool = False, most: int | None = None) -> tuple[Job, ...]:
        """Jobs, the latest first; all, or those that are still to be worked on."""
        query = select(job).order_by(job.c.number.desc()).limit(most)
        if only_open:
            query = query.where(job.c.state.in_(_OPEN))
        with reading(self._engine, self._path) as connection:
            return tuple(map(_from_row, connection.execute(query).mappings()))

    def next_job(self, at: datetime) -> Job | None:
        """Begin the oldest job that is still to be worked on, or go on with it; None without one.

        Only one process may work on a farm's jobs at a time.
        """
        query = select(job.c.number).where(job.c.state.in_(_OPEN)).order_by(job.c.number).limit(1)
        with writing(self._engine, self._path) as connection:
            number = connection.execute(query).scalar()
            if number is None:
                return None
            connection.execute(
                _of(number).values(
                    state=JobState.RUNNING.value,
                    seen_at_utc=_text(at),
                    starts=job.c.starts + 1,
                )
            )
            return _job(connection, number)

    def tell_start(self, number: int, *, done: int, total: int, at: datetime) -> Job:
        """Say that work on a job begins now, with so many photos behind it."""
        begun = {"started_at_utc": _text(at), "started_done": done}
        return self._tell(number, done=done, total=total, seen_at_utc=_text(at), **begun)

    def tell_progress(self, number: int, *, done: int, total: int, at: datetime) -> Job:
        """Say that one more photo is done; what comes back tells whether the job shall stop."""
        return self._tell(number, done=done, total=total, seen_at_utc=_text(at), starts=0)

    def _tell(self, number: int, **values: object) -> Job:
        with writing(self._engine, self._path) as connection:
            connection.execute(_of(number).values(**values))
            return _job(connection, number)

    def close_job(
        self,
        number: int,
        state: JobState,
        *,
        at: datetime,
        refused: Sequence[tuple[str, str, str]] = (),
        problem: tuple[str, str] | None = None,
        unreadable: Sequence[str] = (),
    ) -> Job:
        """Say how a job ended; one that was cancelled meanwhile stays so.

        What it left out is kept beside what was refused when it was asked for, each once.
        Photos that are `unreadable` show no tree of the farm any longer; their files stay.
        """
        placed = tables.tree_photo
        with writing(self._engine, self._path) as connection:
            connection.execute(delete(placed).where(placed.c.photo_id.in_(unreadable)))
            now = _job(connection, number)
            if now.is_open:
                connection.execute(_of(number).values(state=state.value))
            left_out = dict.fromkeys((*now.refused, *refused))
            connection.execute(
                _of(number).values(
                    seen_at_utc=_text(at), refused=list(map(list, left_out)), problem=problem
                )
            )
            return _job(connection, number)

    def cancel_job(self, number: int) -> Job:
        """Stop a job after the photo in hand; one that has ended stays as it is."""
        with writing(self._engine, self._path) as connection:
            if _job(connection, number).is_open:
                connection.execute(_of(number).values(state=JobState.CANCELLED.value))
            return _job(connection, number)

    def jobs_that_left_out(self) -> tuple[Job, ...]:
        """Jobs that are done and left something out which nobody has put away, the latest first."""
        query = select(job).where(
            job.c.state == JobState.DONE.value, cast(job.c.refused, String) != "[]"
        )
        with reading(self._engine, self._path) as connection:
            found = connection.execute(query.order_by(job.c.number.desc())).mappings()
            return tuple(map(_from_row, found))

    def put_away(self, number: int) -> Job:
        """Tell no longer what a job that is done left out; it stays with the job."""
        with writing(self._engine, self._path) as connection:
            if _job(connection, number).state is JobState.DONE:
                connection.execute(_of(number).values(state=JobState.READ.value))
            return _job(connection, number)

    def want_again(self, number: int) -> Job:
        """Go on with a job that was cancelled or failed."""
        with writing(self._engine, self._path) as connection:
            if _job(connection, number).state in (JobState.CANCELLED, JobState.FAILED):
                connection.execute(
                    _of(number).values(state=JobState.WANTED.value, starts=0, problem=None)
                )
            return _job(connection, number)


def _of(number: int) -> Update:
    return update(job).where(job.c.number == number)


def _job(connection: Connection, number: int) -> Job:
    return _from_row(connection.execute(select(job).where(job.c.number == number)).mappings().one())


def _from_row(row: rows.FoundRow) -> Job:
    problem = row["problem"]
    return Job(
        number=row["number"],
        kind=JobKind(row["kind"]),
        state=JobState(row["state"]),
        asked_by=row["asked_by"],
        asked_at=_moment(row["asked_at_utc"]),
        names=row["names"],
        folder=row["folder"],
        seen_at=_moment(row["seen_at_utc"]) if row["seen_at_utc"] else None,
        started_at=_moment(row["started_at_utc"]) if row["started_at_utc"] else None,
        started_done=row["started_done"],
        starts=row["starts"],
        done=row["done"],
        total=row["total"],
        refused=tuple((name, what, fix) for name, what, fix in row["refused"]),
        problem=(problem[0], problem[1]) if problem else None,
    )


def _text(at: datetime) -> str:
    return at.astimezone(UTC).replace(tzinfo=None).isoformat()


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)

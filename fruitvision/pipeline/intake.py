"""Photos that come in: kept and tied to their trees at once, to be measured afterwards.

Nothing here decodes a picture, so that a hundred photos are in within seconds. What is kept and
placed outlives every process; measuring is a job of its own (see `fruitvision.work`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fruitvision.domain import Job, JobKind, JobState, TreePhoto
from fruitvision.errors import PhotoUnreadable
from fruitvision.photo import day_and_id_of
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.photos import Refused
from fruitvision.pipeline.placing import MovedPhoto, Places
from fruitvision.store import Store
from fruitvision.walk_data import WalkPhoto


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenIn:
    """Photos that are in the farm now, and those that were left out.

    `job` : measures them; None if none came in. `known` : how many of them the farm had of the same
    tree and face; `moved` : those that it had of another one. `copies` : each file that holds the
    same photo as an earlier one, and that one.
    """

    job: Job | None
    known: int
    refused: tuple[Refused, ...]
    copies: tuple[tuple[str, str], ...]
    moved: tuple[MovedPhoto, ...] = ()


def take_in(
    rows: Mapping[Path, WalkPhoto],
    store: Store,
    *,
    walked_on: date | None,
    who: str,
    refused_before: Sequence[Refused] = (),
    today: date | None = None,
) -> TakenIn:
    """Keep photos of known trees and ask for their measurement; one bad file stops no other.

    Photos of one face are numbered in their order, after those that the farm has of it. What is
    left out stays with the job, so that it is told until somebody puts it away; where no photo came
    in, with one that is done already.

    Parameters
    ----------
    rows : mapping
        The tree and face that each file shows.
    walked_on : date, optional
        Day of the walk for photos that carry no date.
    refused_before : sequence of Refused
        What was left out of their list; told with the rest.
    today : date, optional
        Photos of later days are left out.

    Raises
    ------
    StoreError
        If a photo can't be copied into the farm. None is tied to a tree then.
    """
    places = Places(store)
    placed: dict[str, TreePhoto] = {}
    taken: dict[str, WalkPhoto] = {}
    refused: list[Refused] = []
    copies: list[tuple[str, str]] = []
    moved: list[MovedPhoto] = []
    for path, row in rows.items():
        try:
            own_day, photo_id = day_and_id_of(path)
        except PhotoUnreadable as err:
            refused.append(Refused(name=row.file_name, what=err.what, fix=err.fix))
            continue
        earlier, day = taken.get(photo_id), own_day or walked_on
        if earlier is not None and (earlier.tree, earlier.face) == (row.tree, row.face):
            copies.append((row.file_name, earlier.file_name))
            continue
        problem = places.problem(row, day, earlier, today)
        if problem is not None or day is None:
            refused += [problem] if problem else []
            continue
        taken[photo_id] = row
        store.keep_photo(path, photo_id)
        placed[photo_id] = places.photo(row, photo_id, day)
        moved += places.moved(row, placed[photo_id])
    left_out = (*refused_before, *refused)
    job = _ask(placed, taken, left_out, store, who) if placed or left_out else None
    if job is not None and not placed:
        store.close_job(job.number, JobState.DONE, at=now_utc())
    return TakenIn(
        job=job if placed else None,
        known=sum(_is_known(photo, places.before) for photo in placed.values()),
        refused=left_out,
        copies=tuple(copies),
        moved=tuple(moved),
    )


def _ask(
    placed: Mapping[str, TreePhoto],
    rows: Mapping[str, WalkPhoto],
    left_out: Sequence[Refused],
    store: Store,
    who: str,
) -> Job:
    return store.ask_job(
        JobKind.MEASURE,
        by=who,
        at=now_utc(),
        names={photo_id: row.file_name for photo_id, row in rows.items()},
        placed=tuple(placed.values()),
        refused=[(one.name, one.what, one.fix) for one in left_out],
    )


def _is_known(photo: TreePhoto, before: Mapping[str, TreePhoto]) -> bool:
    known = before.get(photo.photo_id)
    return known is not None and (known.tree, known.face) == (photo.tree, photo.face)

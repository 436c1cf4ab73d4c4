"""People at the app and commands beside them, all writing at once; what must be there afterwards.

The app's people share one store, as the server's visitors do; each command is a process of its own.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from fruitvision.archive import make_archive, restore_archive
from fruitvision.cli import main
from fruitvision.domain import (
    HandCount,
    JobKind,
    RemovedFruit,
    ThingKind,
    TreeId,
    TreeKind,
    VisitedPlace,
)
from fruitvision.errors import ConflictError
from fruitvision.pipeline.block_entries import save_block
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.serve import DAY_VARIABLE
from fruitvision.store import FarmStore, open_farm
from tests import records

DAY = date(2026, 8, 12)
AT = datetime(2026, 9, 1, 7, 30, tzinfo=UTC)
PEOPLE = ("Ana", "Ben", "Cleo", "Dan")
PHOTO_ID = hashlib.sha256(b"one").hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What there is of each kind of entry."""

    block_changes: int
    hand_counts: int
    edits: int
    jobs: int
    places: int
    archives: int


def wanted(times: int, archives: int) -> Kept:
    """What must be there if nobody's entry was lost or doubled."""
    return Kept(
        block_changes=len(PEOPLE) * times,
        hand_counts=(len(PEOPLE) + COMMANDS) * times,
        edits=len(PEOPLE) * times,
        jobs=len(PEOPLE) * times,
        places=len(PEOPLE) * times,
        archives=archives,
    )


COMMANDS = 2


def write_at_once(base: Path, times: int, archives: int) -> Kept:
    """Four people and two commands write so many entries of each kind each, and copies are made.

    Whatever one of them is told that is no conflict between two people ends it with that error.
    """
    folder = base / "farm"
    with (
        open_farm(folder) as store,
        ThreadPoolExecutor(len(PEOPLE) + 1) as threads,
        ProcessPoolExecutor(COMMANDS, mp_context=multiprocessing.get_context("spawn")) as processes,
    ):
        store.save_blocks([replace(records.block(), missing=0)])
        tasks: list[Future[None]] = [
            processes.submit(_command, folder, base / f"tables {row}", row, times)
            for row in range(101, 101 + COMMANDS)
        ]
        tasks += [
            threads.submit(_person, store, name, row, times)
            for row, name in enumerate(PEOPLE, start=1)
        ]
        tasks.append(threads.submit(_copies, folder, base, archives))
        for task in tasks:
            task.result(timeout=600)
    with open_farm(folder) as store:
        return Kept(
            block_changes=len(store.changes(kind=ThingKind.BLOCK)),
            hand_counts=len(store.hand_counts()),
            edits=len({one.number for one in store.photo_edits(PHOTO_ID)}),
            jobs=len(store.jobs()),
            places=len(store.visited_places()),
            archives=len(list(base.glob("copy *.zip"))),
        )


def _person(store: FarmStore, who: str, row: int, times: int) -> None:
    """What somebody does on pages: corrects the one block that all correct, counts, edits, asks."""
    for number in range(times):
        _correct(store, 100 * row + number, who)
        tree = TreeId(records.BLOCK_ID, row, number + 1)
        save_hand_count(HandCount(tree=tree, fruit_count=row, counted_on=DAY), None, store, who=who)
        found = RemovedFruit(x_px=float(row), y_px=float(number))
        store.save_photo_edits(PHOTO_ID, [found], made_by=who, made_at=AT)
        store.ask_job(JobKind.MEASURE, by=who, at=AT, names={})
        store.save_visited_places([VisitedPlace(tree=tree, visited_on=DAY, found=TreeKind.MISSING)])


def _correct(store: FarmStore, missing: int, who: str) -> None:
    """As a person who is told of the other's change, looks, and saves again.

    The number is nobody else's: who saves what is there already has changed nothing.
    """
    while True:
        (seen,) = store.blocks()
        try:
            save_block(replace(seen, missing=missing), seen, store, who=who)
        except ConflictError:
            continue
        return


def _command(folder: Path, tables: Path, row: int, times: int) -> None:
    """Tables of hand counts come in by the command line, one a time."""
    tables.mkdir()
    os.environ[DAY_VARIABLE] = DAY.isoformat()
    for number in range(1, times + 1):
        line = f"{records.BLOCK_ID},{row},{number},{number},{DAY},two faces"
        head = "block,row,position,fruit_count,counted_on,protocol"
        (tables / "hand_counts.csv").write_text(f"{head}\n{line}\n", encoding="utf-8")
        status = main(["load", str(tables), "--farm", str(folder)])
        if status != 0:
            raise RuntimeError(f"load ended with {status}")


def _copies(folder: Path, base: Path, archives: int) -> None:
    """Archives made meanwhile; each is restored, which checks every hash, and holds whole acts."""
    for number in range(archives):
        path = base / f"copy {number}.zip"
        made_at = AT + timedelta(minutes=number)
        make_archive(folder, path, program_version="0", made_at=made_at)
        restore_archive(path, base / f"restored {number}")
        with open_farm(base / f"restored {number}") as copy:
            changes = copy.changes(kind=ThingKind.BLOCK, most=1)
            noted = (changes[0].after or {})["missing"] if changes else 0
            if copy.blocks()[0].missing != noted:
                raise RuntimeError("a copy holds a correction without its note")

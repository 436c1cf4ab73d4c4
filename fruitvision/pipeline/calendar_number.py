"""The SEQUENCE of a farm's next calendar file: higher than that of any file before.

A phone keeps the event with the highest SEQUENCE of its UID. By the clock alone, a file that is
written after the clock was set back would change nothing on any phone, unseen. So the last number
is kept in the farm's folder, and a clock that was ahead costs nothing but a jump. The app and a
command that write a file in one moment take one number after the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from filelock import FileLock

from fruitvision.export.calendar_ics import sequence_at
from fruitvision.whole_file import write_whole

NUMBER_NAME = "calendar-sequence"
LOCK_NAME = f"{NUMBER_NAME}.lock"
# Our choice: a number is read and written in milliseconds, and nobody waits longer for a calendar.
LOCK_WAIT_S = 2.0


def next_sequence(folder: Path, at: datetime) -> int:
    """A number for a file that is written now, kept before it is written.

    Where the folder can't be written, or somebody holds the lock for too long, it is higher than
    the last one that was kept, no more.

    Parameters
    ----------
    folder : Path
        The farm's.
    at : datetime
        With a time zone.
    """
    path = folder / NUMBER_NAME
    with _alone(folder / LOCK_NAME):
        number = max(sequence_at(at), _last(path) + 1)
        with suppress(OSError):
            write_whole(path, f"{number}\n".encode())
    return number


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Nobody else takes a number inside the block, where the lock can be had."""
    lock = FileLock(path, timeout=LOCK_WAIT_S)
    # One that is held for too long is an OSError too; some network disks know no locks.
    with suppress(OSError, NotImplementedError):
        lock.acquire()
    try:
        yield
    finally:
        lock.release()


def _last(path: Path) -> int:
    """The number of the last file; -1 if none is known."""
    try:
        found = path.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return -1
    # More digits than that are no minutes of any year that a clock can show.
    return int(found) if found.isdecimal() and len(found) <= 10 else -1

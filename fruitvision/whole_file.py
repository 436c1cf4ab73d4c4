"""Write a file whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from typing import BinaryIO

from fruitvision.errors import StoreError

# Where it can't be told whether the writer of a part is alive, a part so old is left over. Our
# choice: the archive of a large farm takes minutes.
OLD_PART_S = 24 * 3600.0
# Errors of a disk, or of a person's share of it, that is full; not every system has the second.
_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}


def write_whole(path: Path, content: bytes) -> None:
    """Put content into a file in one step: written beside it, then moved into its place.

    A reader sees the old file or the new one, also when this is killed midway. The folder is made
    if it is missing.

    Raises
    ------
    OSError
        If the file can't be written; nothing is left behind.
    """
    with whole_file(path) as stream:
        stream.write(content)


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A stream whose content is in the file, in one step, when the block ends well.

    For what is too large to be held at once; else as `write_whole`. When the power fails
    afterwards, the whole file is on the disk or the old one is.

    Raises
    ------
    OSError
        If the file can't be written; nothing is left behind.
    """
    make_folder(path.parent)
    part = part_beside(path)
    try:
        with part.open("xb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
        sync_folder(path.parent)
    finally:
        # What can't be taken away now goes with the next write.
        with suppress(OSError):
            part.unlink(missing_ok=True)


def make_folder(folder: Path) -> None:
    """Make a folder that may be there, and have the names of new ones on the disk.

    Else a cut of power could take the folder away again, with the whole file in it.

    Raises
    ------
    OSError
        If it can't be made.
    """
    new = [one for one in (folder, *folder.parents) if not one.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for one in new:
        sync_folder(one.parent)


def sync_folder(folder: Path) -> None:
    """Have the names of a folder's files on the disk, where folders can be asked for that."""
    if sys.platform == "win32":
        return
    with suppress(OSError):
        opened = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)


def part_beside(path: Path) -> Path:
    """A name beside `path` for the file or folder that becomes it.

    Parts of it that killed writers left are taken away.
    """
    # The name itself may be as long as a name can be.
    begin = f".{sha256(path.name.encode()).hexdigest()[:12]}"
    for left in path.parent.glob(f"{begin}-*.part"):
        if _is_left_over(left):
            _take_away(left)
    return path.with_name(f"{begin}-{os.getpid()}-{secrets.token_hex(4)}.part")


@contextmanager
def folder_beside(path: Path) -> Iterator[Path]:
    """A new folder beside `path` to make it in; gone afterwards unless it was given that name.

    Raises
    ------
    OSError
        If the folder can't be made.
    """
    make_folder(path.parent)
    folder = part_beside(path)
    folder.mkdir()
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def write_asked_for(path: Path, content: bytes) -> None:
    """`write_whole` where a person said where to.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    try:
        write_whole(path, content)
    except OSError as err:
        raise StoreError(
            f"Can't write {path}: {err.strerror}.",
            fix=fix_of(err, "Choose a folder that you may write to."),
        ) from err


def fix_of(err: OSError, otherwise: str) -> str:
    """What to do about a file that can't be written; of a full disk always the same."""
    if err.errno in _FULL:
        return "Make room on the disk and try again."
    return otherwise


def _take_away(left: Path) -> None:
    if left.is_dir():
        shutil.rmtree(left, ignore_errors=True)
    else:
        left.unlink(missing_ok=True)


def _is_left_over(part: Path) -> bool:
    try:
        if time.time() - part.stat().st_mtime > OLD_PART_S:
            return True
        writer = int(part.name.split("-")[1])
    except (OSError, ValueError, IndexError):
        return False
    return not _is_alive(writer)


def _is_alive(process: int) -> bool:
    """Whether a process of this computer is there; true where asking would disturb it."""
    if sys.platform == "win32":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:  # Somebody else's.
        return True
    return True

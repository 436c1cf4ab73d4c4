"""Results that take long, kept until what they rest on changes: in memory and in the farm.

Each is kept under the key of all that it rests on, program and settings too, and read back only
under that key: a kept result equals one that is worked out anew. The files may be deleted.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from fruitvision.records import from_plain, to_plain
from fruitvision.whole_file import part_beside

Record = TypeVar("Record")

# Under the farm's folder.
FOLDER = "worked-out"
# Results in memory. Our choice: records, estimates and growth of two farms of 100 blocks.
MOST_IN_MEMORY = 1000

_memory: OrderedDict[tuple[Path, str], tuple[str, object]] = OrderedDict()
_lock = Lock()


@cache
def program_sha256() -> str:
    """Text that is another one with every other version of this program's files."""
    root = Path(__file__).parents[1]
    found = sorted(
        (str(path.relative_to(root)), path.stat().st_size, path.stat().st_mtime_ns)
        for path in root.rglob("*.py")
    )
    return hashlib.sha256(repr(found).encode()).hexdigest()


def key_of(*parts: object) -> str:
    """The key of a result that rests on these, and on this program."""
    return hashlib.sha256(repr((program_sha256(), *parts)).encode()).hexdigest()


def in_memory(folder: Path, name: str, key: str) -> Any:
    """What this process keeps of a farm under a name; None unless it was kept under this key."""
    with _lock:
        kept = _memory.get((folder, name))
        if kept is None or kept[0] != key:
            return None
        _memory.move_to_end((folder, name))
        return kept[1]


def keep_in_memory(folder: Path, name: str, key: str, value: object) -> None:
    """Keep it in place of what is there under that name."""
    with _lock:
        _memory[folder, name] = key, value
        _memory.move_to_end((folder, name))
        while len(_memory) > MOST_IN_MEMORY:
            _memory.popitem(last=False)


def kept(
    place: tuple[Path, str, str | None], kind: type[Record], make: Callable[[], Record]
) -> Record:
    """A record from memory or disk; where there is none, it is made and kept.

    Parameters
    ----------
    place : (Path, str, str or None)
        The farm's folder, the record's name, and its key; nothing is kept without a key.
    kind : type
        Of the record.
    """
    folder, name, key = place
    if key is None:
        return make()
    found: Record | None = in_memory(folder, name, key)
    if found is None:
        found = on_disk(folder, name, key, kind)
        if found is None:
            found = make()
            keep_on_disk(folder, name, key, found)
        keep_in_memory(folder, name, key, found)
    return found


def forget_memory() -> None:
    """As another process would start."""
    with _lock:
        _memory.clear()


def on_disk(folder: Path, name: str, key: str, kind: type[Record]) -> Record | None:
    """The record of that kind which lies in the farm's folder under a name and this key."""
    try:
        document = json.loads(_path(folder, name).read_bytes())
        if document["key"] != key:
            return None
        return from_plain(kind, document["record"])
    except (OSError, ValueError, KeyError, TypeError):
        # None was kept, or it was cut short: it is worked out again.
        return None


def keep_on_disk(folder: Path, name: str, key: str, record: object) -> None:
    """Keep a record in place of what lies there; a folder that can't be written costs time only."""
    path = _path(folder, name)
    part = part_beside(path)
    document = {"key": key, "record": to_plain(record)}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # Not synced: what a cut of power leaves half written is no JSON, and worked out again.
        part.write_text(json.dumps(document, allow_nan=False), encoding="utf-8")
        os.replace(part, path)
    except OSError:
        with suppress(OSError):
            part.unlink()


def _path(folder: Path, name: str) -> Path:
    """Names of blocks may hold anything, so that files bear the hash of theirs."""
    return folder / FOLDER / f"{hashlib.sha256(name.encode()).hexdigest()[:24]}.json"

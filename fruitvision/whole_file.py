"""Write a file whole or not at all."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from fruitvision.errors import StoreError


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

    For what is too large to be held at once; else as `write_whole`.

    Raises
    ------
    OSError
        If the file can't be written; nothing is left behind.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with part.open("xb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


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
            f"Can't write {path}: {err.strerror}.", fix="Choose a folder that you may write to."
        ) from err

"""Files in and out of the browser, by way of a folder that is gone afterwards."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Protocol

from fruitvision.pipeline.additions import NamedFile

PHOTO_TYPES = ["jpg", "jpeg", "png", "heic", "heif", "tif", "tiff"]
# Longest stem that is kept of a file's name. Our choice.
LONGEST_STEM = 60


class Upload(Protocol):
    """What a file box of the browser gives."""

    @property
    def name(self) -> str: ...
    def getvalue(self) -> bytes: ...


def safe_name(name: str, number: int) -> str:
    """A file name of letters, digits, `-` and `_` only, which starts with the upload's number."""
    stem, _, ending = name.replace("\\", "/").rsplit("/", 1)[-1].rpartition(".")
    plain_stem = re.sub(r"[^A-Za-z0-9_-]+", "_", stem or ending)[:LONGEST_STEM]
    plain_ending = re.sub(r"[^a-z0-9]", "", ending.lower())[:5] if stem else ""
    return f"{number:03d}_{plain_stem}" + (f".{plain_ending}" if plain_ending else "")


@contextmanager
def saved(uploads: Sequence[Upload | None]) -> Iterator[tuple[NamedFile, ...]]:
    """Uploads as files, for as long as the block lasts; empty boxes are passed over."""
    with TemporaryDirectory(prefix="fruitvision-") as folder:
        files = []
        for number, upload in enumerate((item for item in uploads if item is not None), start=1):
            path = Path(folder) / safe_name(upload.name, number)
            path.write_bytes(upload.getvalue())
            files.append(NamedFile(name=upload.name, path=path))
        yield tuple(files)


def bytes_of(write: Callable[[Path], object], name: str) -> bytes:
    """The content of the file that `write` makes."""
    with TemporaryDirectory(prefix="fruitvision-") as folder:
        path = Path(folder) / name
        write(path)
        return path.read_bytes()

"""Files in and out of the browser, by way of a folder that is gone afterwards."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from itertools import chain, count
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


def safe_name(name: str, taken: Collection[str] = ()) -> str:
    """A file name of letters, digits, `-` and `_` only, other than those taken."""
    stem, _, ending = name.replace("\\", "/").rsplit("/", 1)[-1].rpartition(".")
    plain_stem = re.sub(r"[^A-Za-z0-9_-]+", "_", stem or ending)[:LONGEST_STEM] or "file"
    plain_ending = re.sub(r"[^a-z0-9]", "", ending.lower())[:5] if stem else ""
    after = f".{plain_ending}" if plain_ending else ""
    numbers = (f"{plain_stem}-{number}{after}" for number in count(2))
    used = {name.casefold() for name in taken}
    names = chain([plain_stem + after], numbers)
    return next(name for name in names if name.casefold() not in used)


@contextmanager
def saved(uploads: Sequence[Upload | None]) -> Iterator[tuple[NamedFile, ...]]:
    """Uploads as files, for as long as the block lasts; empty boxes are passed over."""
    with TemporaryDirectory(prefix="fruitvision-") as folder:
        files: list[NamedFile] = []
        for upload in uploads:
            if upload is not None:
                path = Path(folder) / safe_name(upload.name, {file.path.name for file in files})
                path.write_bytes(upload.getvalue())
                files.append(NamedFile(name=upload.name, path=path))
        yield tuple(files)


def bytes_of(write: Callable[[Path], object], name: str) -> bytes:
    """The content of the file that `write` makes."""
    with TemporaryDirectory(prefix="fruitvision-") as folder:
        path = Path(folder) / name
        write(path)
        return path.read_bytes()

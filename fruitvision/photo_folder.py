"""Copies of photo files, each named after the sha256 of its bytes."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

from fruitvision.errors import StoreError
from fruitvision.whole_file import write_whole

# Largest file that is taken for a photo: a limit against files made to fill the memory. Our choice:
# a picture of 108 million pixels, which the largest phone pictures have, without compression.
MOST_FILE_BYTES = 500_000_000
# Ending of nearly all kept photos.
USUAL_ENDING = ".jpg"
_SHA256 = re.compile(r"[0-9a-f]{64}")
_EXTENSION = re.compile(r"\.[a-z0-9]{1,5}")


def find_photo(photo_id: str, folder: Path) -> Path | None:
    """The kept copy of a photo, or None."""
    usual = folder / f"{_checked(photo_id)}{USUAL_ENDING}"
    # Looking through thousands of files takes longer than reading one.
    return usual if usual.is_file() else next(iter(sorted(folder.glob(f"{photo_id}.*"))), None)


def keep_photo(path: Path, photo_id: str, folder: Path) -> Path:
    """Copy a photo file into the folder unless it is there; returns the copy.

    The copy appears whole or not at all: it is written beside, checked, and moved into its place.

    Raises
    ------
    StoreError
        If the file can't be copied, or its sha256 is not `photo_id`.
    """
    kept = find_photo(photo_id, folder)
    if kept is not None:
        return kept
    extension = path.suffix.lower()
    target = folder / (photo_id + (extension if _EXTENSION.fullmatch(extension) else ".photo"))
    try:
        content = path.read_bytes()
        _refuse_other_content(content, photo_id, path)
        write_whole(target, content)
    except OSError as err:
        raise StoreError(
            f"Can't copy {path.name} into the farm folder: {err.strerror}.",
            fix="Check that the folder can be written and the disk has room.",
        ) from err
    return target


def _checked(photo_id: str) -> str:
    if not _SHA256.fullmatch(photo_id):
        raise ValueError(f"photo_id must be a sha256 in lower case, got {photo_id!r}")
    return photo_id


def _refuse_other_content(content: bytes, photo_id: str, path: Path) -> None:
    if hashlib.sha256(content).hexdigest() != photo_id:
        raise StoreError(
            f"{path.name} is not the photo that was measured: its content changed.",
            fix="Measure it again.",
        )

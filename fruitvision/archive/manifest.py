"""What an archive says of itself: `manifest.json`, and which names a file in it may have.

manifest.json
    format, format_version (of this document), program_version, schema (of the database), farm (its
    name), made_at (UTC), with_photos, holds (what is in it, for people), and files: of each its
    name in the archive, size_bytes and sha256.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime

from fruitvision.errors import StoreError
from fruitvision.records import from_json, to_json

MANIFEST_NAME = "manifest.json"
FORMAT, FORMAT_VERSION = "fruitvision farm", 1
HOLDS = (
    "All that the farm keeps: photos with the place where they were taken, counts, edits, "
    "forecasts, and who changed what and when, with names of people. Keep it as safe as the farm."
)
# Most files of an archive. Our choice: twenty seasons of 10,000 photos.
MOST_FILES = 200_000
# Largest file of a kind, bytes. Our choice: a photo is refused beyond as much when it is measured;
# a database of 200,000 fruit takes 0.1 GB; the manifest names `MOST_FILES` in 200 bytes each.
MOST_FILE_BYTES = 500_000_000
MOST_DATABASE_BYTES = 20_000_000_000
MOST_MANIFEST_BYTES = 40_000_000

# Parts of a name that some system refuses, or takes for something else: Microsoft's naming rules.
_PART = re.compile(r'[^\\/:*?"<>|\x00-\x1f\x7f]{1,200}')
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
_SHA256 = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedFile:
    """A file of an archive: its name below the farm's folder, with `/` between its parts."""

    name: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What an archive holds, and of which program and database it is."""

    format: str
    format_version: int
    program_version: str
    schema: str
    farm: str
    made_at: datetime
    with_photos: bool
    files: tuple[ArchivedFile, ...]
    holds: str = HOLDS


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A file of the farm's folder that is not in the archive, or is and looks wrong."""

    name: str
    what: str
    fix: str


def name_fits(name: str) -> bool:
    """Whether a name stays in the folder on every system, and is not hidden."""
    parts = name.split("/")
    return all(
        _PART.fullmatch(part)
        and not part.startswith(".")
        and not part.endswith((".", " "))
        and not _RESERVED.fullmatch(part)
        for part in parts
    )


def manifest_text(manifest: Manifest) -> bytes:
    """The document."""
    return to_json(manifest).encode()


def read_manifest(content: bytes) -> Manifest:
    """The manifest in a document.

    Raises
    ------
    StoreError
        If it is none, or of a newer program.
    """
    try:
        found = from_json(Manifest, content.decode())
    except (ValueError, TypeError, RecursionError) as err:
        raise _no_archive("its manifest can't be read") from err
    if found.format != FORMAT:
        raise _no_archive(f"its manifest is of '{found.format}'")
    if found.format_version > FORMAT_VERSION:
        raise StoreError(
            f"The archive was made by a newer fruitvision ({found.program_version}).",
            fix="Update fruitvision and restore it again.",
        )
    for one in found.files:
        if one.size_bytes < 0 or not _SHA256.fullmatch(one.sha256):
            raise _no_archive(f"its manifest says nothing usable of {one.name!r}")
    return found


def _no_archive(why: str) -> StoreError:
    return StoreError(
        f"This is no archive of a farm: {why}.",
        fix="Give a file that fruitvision archive make has written.",
    )

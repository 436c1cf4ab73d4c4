"""Make an archive of a farm, also while others work on it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile, ZipInfo

from fruitvision.archive.manifest import (
    FORMAT,
    FORMAT_VERSION,
    MANIFEST_NAME,
    ArchivedFile,
    LeftOut,
    Manifest,
    manifest_text,
    name_fits,
)
from fruitvision.errors import StoreError
from fruitvision.store import DATABASE_NAME, has_farm
from fruitvision.store.photos import PHOTOS_NAME
from fruitvision.store.place import SERVER_NAME
from fruitvision.store.snapshot import copy_farm
from fruitvision.whole_file import folder_beside, whole_file

# What a farm makes again by itself, what belongs to a running process, which server has its rows,
# and who may sign in on this computer, with the hashes of their passwords, and who did: they are
# added anew where the farm is restored.
NOT_ARCHIVED = {
    "worked-out",
    "thumbnails",
    "work.lock",
    "work.log",
    SERVER_NAME,
    "accounts.json",
    "accounts.lock",
    "sign-ins.jsonl",
    "choices.json",
    "choices.lock",
    "calendar-sequence.lock",
}
_OF_DATABASE = {f"{DATABASE_NAME}{end}" for end in ("", "-wal", "-shm", "-journal")}
# Rows as they were before they were moved to a server or back.
_KEPT_ASIDE = (f"{DATABASE_NAME}.", f"{SERVER_NAME}.")
# Bytes that are read at once. Our choice.
PIECE_BYTES = 1 << 20
# Files that don't get smaller.
_PACKED = {".jpg", ".jpeg", ".heic", ".heif", ".png", ".xlsx", ".parquet"}


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeArchive:
    """An archive that was written: what it holds, and files of the folder that are not in it."""

    path: Path
    size_bytes: int
    manifest: Manifest
    photos: int
    left_out: tuple[LeftOut, ...]


def make_archive(
    farm: Path,
    out: Path,
    *,
    program_version: str,
    made_at: datetime,
    photos: bool = True,
    overwrite: bool = True,
) -> MadeArchive:
    """Write a farm's folder into one file, whole or not at all.

    The database is copied first, in one state; photos are never changed and bear their sha256 as
    their name, so that those which come in meanwhile do no harm.

    Parameters
    ----------
    photos : bool
        Also the photos; without them the numbers are the same and no picture can be shown.
    overwrite : bool
        Also in place of a file that is there: an older archive may be the only copy of what was
        deleted since.

    Raises
    ------
    StoreError
        If there is no farm, it can't be read, the archive can't be written, or it is there.
    """
    if not has_farm(farm):
        raise StoreError(f"There is no farm in {farm}.", fix="Check the folder.")
    if out.is_dir():
        raise StoreError(f"{out} is a folder.", fix="Name a file, such as farm.zip.")
    if out.exists() and not overwrite:
        raise StoreError(
            f"{out} is there already. It may be the only copy of what was deleted since.",
            fix="Choose another name, or add --overwrite.",
        )
    try:
        with folder_beside(out) as folder:
            copy = folder / DATABASE_NAME
            facts = copy_farm(farm, copy)
            left_out: list[LeftOut] = []
            files: list[ArchivedFile] = []
            with whole_file(out) as stream, ZipFile(stream, "w", allowZip64=True) as archive:
                for name, path in ((DATABASE_NAME, copy), *_files(farm, out, photos, left_out)):
                    file = _add(archive, name, path, made_at)
                    files.append(file)
                    left_out += _doubted(file)
                manifest = Manifest(
                    format=FORMAT,
                    format_version=FORMAT_VERSION,
                    program_version=program_version,
                    schema=facts.schema,
                    farm=facts.farm_name or farm.resolve().name,
                    made_at=made_at.astimezone(UTC),
                    with_photos=photos,
                    files=tuple(files),
                )
                info = _info(MANIFEST_NAME, made_at)
                archive.writestr(info, manifest_text(manifest))
        size = out.stat().st_size
    except OSError as err:
        about = _about(err, out)
        raise StoreError(
            f"Can't write {out}: {err.strerror}{about}.",
            fix="Choose a folder that you may write to, on a disk with room; then try again.",
        ) from err
    return MadeArchive(
        path=out,
        size_bytes=size,
        manifest=manifest,
        photos=sum(one.name.startswith(f"{PHOTOS_NAME}/") for one in files),
        left_out=tuple(left_out),
    )


def _about(err: OSError, out: Path) -> str:
    """Which file of the farm it is about; a part beside the archive is of no use to people."""
    name = Path(str(err.filename or out))
    return "" if name.parent == out.parent else f" ({name})"


def _files(
    farm: Path, out: Path, photos: bool, left_out: list[LeftOut]
) -> Iterator[tuple[str, Path]]:
    """Name and path of each file, by name; what is passed over is added to `left_out`."""
    skipped = NOT_ARCHIVED | _OF_DATABASE | (set() if photos else {PHOTOS_NAME})
    for path in _walked(farm, skipped):
        name = path.relative_to(farm).as_posix()
        if path.is_symlink() or not path.is_file():
            why = "It is a link or no plain file.", "Put the file itself there."
        elif not name_fits(name):
            why = "Its name does not work on every system.", "Rename it."
        elif path.resolve() == out.resolve() or path.suffix.casefold() == ".zip":
            why = "It is an archive itself.", "Keep archives elsewhere."
        else:
            yield name, path
            continue
        left_out.append(LeftOut(name=name, what=why[0], fix=why[1]))


def _walked(folder: Path, skipped: set[str]) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if path.name in skipped or path.name.startswith((".", *_KEPT_ASIDE)):
            continue
        if path.is_dir() and not path.is_symlink():
            yield from _walked(path, set())
        else:
            yield path


def _doubted(file: ArchivedFile) -> tuple[LeftOut, ...]:
    """A photo whose content is not what its name says is kept all the same, and named."""
    folder, _, name = file.name.partition("/")
    if folder != PHOTOS_NAME or name.partition(".")[0] == file.sha256:
        return ()
    return (
        LeftOut(
            name=file.name,
            what="Its content is not the photo that it is named after.",
            fix="It is in the archive as it is; load its walk again.",
        ),
    )


def _info(name: str, made_at: datetime) -> ZipInfo:
    info = ZipInfo(name, date_time=made_at.timetuple()[:6])
    packed = Path(name).suffix.casefold() in _PACKED
    info.compress_type = ZIP_STORED if packed else ZIP_DEFLATED
    # Readable and writable by its owner, readable by others.
    info.external_attr = 0o644 << 16
    return info


def _add(archive: ZipFile, name: str, path: Path, made_at: datetime) -> ArchivedFile:
    with (
        path.open("rb") as source,
        archive.open(_info(name, made_at), "w", force_zip64=True) as target,
    ):
        found, size = hashlib.sha256(), 0
        for piece in pieces(source):
            found.update(piece)
            size += len(piece)
            target.write(piece)
    return ArchivedFile(name=name, size_bytes=size, sha256=found.hexdigest())


def pieces(source: IO[bytes]) -> Iterator[bytes]:
    """A stream's content, a piece at a time."""
    while piece := source.read(PIECE_BYTES):
        yield piece

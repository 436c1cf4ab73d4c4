"""Restore a farm from an archive: nothing of it is believed before it is checked."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo

from fruitvision.archive.make import NOT_ARCHIVED, pieces
from fruitvision.archive.manifest import (
    MANIFEST_NAME,
    MOST_DATABASE_BYTES,
    MOST_FILE_BYTES,
    MOST_FILES,
    MOST_MANIFEST_BYTES,
    ArchivedFile,
    Manifest,
    name_fits,
    read_manifest,
)
from fruitvision.errors import StoreError
from fruitvision.store import DATABASE_NAME, has_farm, open_farm
from fruitvision.store.snapshot import check_database
from fruitvision.store.tables import SCHEMA
from fruitvision.whole_file import folder_beside, sync_folder

# Flag of an entry that is locked with a password: ZIP application note, 4.4.4.
_LOCKED = 0x1


def restore_archive(archive: Path, farm: Path) -> Manifest:
    """Make a farm's folder out of an archive, whole or not at all.

    Everything is written into a folder beside it and checked there; the last step gives it its
    name.

    Raises
    ------
    StoreError
        If the file is no archive of a farm, is damaged or altered, was made by a newer program, is
        larger than a farm or the disk, or the folder holds something.
    """
    _refuse_folder(farm)
    try:
        with _opened(archive) as opened:
            entries = _entries(opened)
            manifest = _manifest(opened, entries)
            _refuse_difference(manifest, entries)
            _refuse_no_room(manifest, farm)
            with folder_beside(farm) as folder:
                for file in manifest.files:
                    _unpack(opened, entries[file.name], file, folder)
                _settle(folder, manifest)
                if farm.exists():
                    farm.rmdir()
                _sync(folder)
                folder.rename(farm)
                sync_folder(farm.parent)
    except OSError as err:
        raise StoreError(
            f"Can't restore into {farm}: {err.strerror}.",
            fix="Choose a folder that you may write to, on a disk with room.",
        ) from err
    return manifest


def _refuse_folder(farm: Path) -> None:
    try:
        if not farm.exists() and not farm.is_symlink():
            return
        if farm.is_dir() and not any(farm.iterdir()):
            return
        holds = "a farm" if has_farm(farm) else "something"
    except OSError as err:
        raise StoreError(f"Can't look into {farm}: {err.strerror}.", fix="Check it.") from err
    raise StoreError(
        f"{farm} holds {holds} already.", fix="Give a folder that is new or empty: --farm NEW."
    )


@contextmanager
def _opened(archive: Path) -> Iterator[ZipFile]:
    """The archive; what is wrong with it inside the block is said as its damage."""
    if not archive.is_file():
        raise StoreError(f"There is no file {archive}.", fix="Check the name of the archive.")
    try:
        with ZipFile(archive) as opened:
            yield opened
    except (BadZipFile, zlib.error, EOFError, NotImplementedError, UnicodeDecodeError) as err:
        raise StoreError(
            f"{archive.name} is damaged or no archive: {err}.",
            fix="Copy it again, or use another one.",
        ) from err


def _entries(opened: ZipFile) -> dict[str, ZipInfo]:
    """Entries by name.

    Raises
    ------
    StoreError
        If one would leave the folder, is no plain file, is there twice or locked, or there are too
        many.
    """
    infos = opened.infolist()
    if len(infos) > MOST_FILES:
        raise _altered(f"it holds {len(infos)} files, more than {MOST_FILES}")
    found: dict[str, ZipInfo] = {}
    seen: set[str] = set()
    for info in infos:
        name = info.orig_filename
        kind = stat.S_IFMT(info.external_attr >> 16)
        if not name_fits(name) or name != info.filename:
            raise _altered(f"the name {name!r} leads out of the folder or fits no file")
        if kind not in (0, stat.S_IFREG) or info.is_dir():
            raise _altered(f"{name!r} is a link or no plain file")
        if info.flag_bits & _LOCKED or info.compress_type not in (ZIP_STORED, ZIP_DEFLATED):
            raise _altered(f"{name!r} is locked or packed in another way")
        if name.casefold() in seen:
            raise _altered(f"{name!r} is there twice")
        if info.file_size > _most_bytes(name):
            raise _altered(f"{name!r} would take {info.file_size / 1e9:.1f} GB")
        seen.add(name.casefold())
        found[name] = info
    return found


def _most_bytes(name: str) -> int:
    known = {DATABASE_NAME: MOST_DATABASE_BYTES, MANIFEST_NAME: MOST_MANIFEST_BYTES}
    return known.get(name, MOST_FILE_BYTES)


def _manifest(opened: ZipFile, entries: dict[str, ZipInfo]) -> Manifest:
    if MANIFEST_NAME not in entries:
        raise _altered(f"it has no {MANIFEST_NAME}")
    manifest = read_manifest(opened.read(entries[MANIFEST_NAME]))
    if manifest.schema > SCHEMA:
        raise StoreError(
            f"The archive was made by a newer fruitvision ({manifest.program_version}, "
            f"{manifest.schema}; this one knows {SCHEMA}).",
            fix="Update fruitvision and restore it again.",
        )
    return manifest


def _refuse_difference(manifest: Manifest, entries: dict[str, ZipInfo]) -> None:
    """Refuse an archive that holds other files than its manifest says."""
    listed = {file.name: file for file in manifest.files}
    if len(listed) != len(manifest.files):
        raise _altered("its manifest names a file twice")
    if DATABASE_NAME not in listed:
        raise _altered(f"it has no {DATABASE_NAME}")
    if lacking := sorted(set(listed) - set(entries)):
        raise _altered(f"{lacking[0]} is missing" + _and_more(lacking))
    if unlisted := sorted(set(entries) - set(listed) - {MANIFEST_NAME}):
        raise _altered(f"{unlisted[0]} is not in its manifest" + _and_more(unlisted))
    for name, file in listed.items():
        if entries[name].file_size != file.size_bytes:
            raise _altered(f"{name} is larger or smaller than its manifest says")
        if name.partition("/")[0] in NOT_ARCHIVED:
            raise _altered(f"{name} is no part of an archive")


def _and_more(names: list[str]) -> str:
    return f", and {len(names) - 1} more" if len(names) > 1 else ""


def _refuse_no_room(manifest: Manifest, farm: Path) -> None:
    needed = sum(file.size_bytes for file in manifest.files)
    there = next(one for one in farm.resolve().parents if one.exists())
    free = shutil.disk_usage(there).free
    if needed > free:
        raise StoreError(
            f"The farm takes {needed / 1e9:.1f} GB and the disk has {free / 1e9:.1f} GB left.",
            fix="Make room, or choose a folder on another disk.",
        )


def _unpack(opened: ZipFile, entry: ZipInfo, file: ArchivedFile, folder: Path) -> None:
    target = folder / file.name
    target.parent.mkdir(parents=True, exist_ok=True)
    found = hashlib.sha256()
    with opened.open(entry) as source, target.open("xb") as written:
        for piece in pieces(source):
            found.update(piece)
            written.write(piece)
        written.flush()
        os.fsync(written.fileno())
    if found.hexdigest() != file.sha256:
        raise _altered(f"the content of {file.name} is not what its manifest says")


def _settle(folder: Path, manifest: Manifest) -> None:
    """Check the database, bring it up to date, and keep the farm's name as it was."""
    facts = check_database(folder / DATABASE_NAME)
    with open_farm(folder, create=False) as store:
        if facts.farm_name is None:
            store.save_farm(replace(store.farm(), name=manifest.farm))


def _sync(folder: Path) -> None:
    """Have all of it on the disk before it gets its name: no power cut leaves half a farm there."""
    with (folder / DATABASE_NAME).open("rb+") as database:
        os.fsync(database.fileno())
    for one in (*(path for path in folder.rglob("*") if path.is_dir()), folder):
        sync_folder(one)


def _altered(why: str) -> StoreError:
    return StoreError(
        f"The archive is damaged or was altered: {why}.",
        fix="Nothing was restored. Use another copy, or make the archive again.",
    )

"""How a photo comes to a worker: its bytes are sent along, or it is opened where all can see it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any

from fruitvision.errors import ClusterError, PhotoUnreadable
from fruitvision.photo import MOST_BYTES, PHOTO_ENDINGS


@dataclass(frozen=True, slots=True)
class SentPhoto:
    """A photo whose bytes travel with the task."""

    name: str
    content: bytes

    def __repr__(self) -> str:
        # Dask writes tasks that fail into its log.
        return f"SentPhoto({self.name!r}, {len(self.content)} bytes)"


@dataclass(frozen=True, slots=True)
class SharedPhoto:
    """A photo in a shared folder or an object store, by its fsspec URL (or path) and name there."""

    url: str
    name: str

    def __repr__(self) -> str:
        # A URL may hold a password.
        return f"SharedPhoto({self.name!r})"


PhotoSource = SentPhoto | SharedPhoto


class PhotoNotHere(PhotoUnreadable):
    """A shared photo that can't be opened on this machine."""


def sent(path: Path) -> SentPhoto:
    """A photo of this computer, read now.

    Raises
    ------
    PhotoUnreadable
        If it can't be read.
    """
    try:
        return SentPhoto(path.name, path.read_bytes())
    except OSError as err:
        raise PhotoUnreadable(
            f"{path.name} can't be opened: {err.strerror or err}.",
            fix="Check that you may read it and that the disk is connected.",
        ) from err


@contextmanager
def at_hand(photo: PhotoSource) -> Iterator[Path]:
    """The photo as a file of this machine, under its own name, for as long as it is needed.

    Raises
    ------
    PhotoNotHere
        If it can't be opened here.
    """
    if isinstance(photo, SharedPhoto):
        local = _local_path(photo)
        if local is not None:
            yield local
            return
    content = photo.content if isinstance(photo, SentPhoto) else _fetched(photo)
    with TemporaryDirectory(prefix="fruitvision-") as folder:
        path = Path(folder) / PurePosixPath(photo.name).name
        path.write_bytes(content)
        yield path


def _local_path(photo: SharedPhoto) -> Path | None:
    """Path of a photo in a folder that this machine has, None elsewhere."""
    from fsspec.implementations.local import LocalFileSystem

    files, inside = _opened(photo)
    if not isinstance(files, LocalFileSystem):
        return None
    path = Path(inside)
    if not path.is_file():
        raise _not_there(photo, "there is no such file")
    return path


def _fetched(photo: SharedPhoto) -> bytes:
    files, inside = _opened(photo)
    try:
        with files.open(inside, "rb") as stream:
            # One byte more than may be is enough to refuse it.
            return bytes(stream.read(MOST_BYTES + 1))
    except Exception as err:  # each kind of store has errors of its own
        raise _not_there(photo, _reason(err)) from err


def _opened(photo: SharedPhoto) -> tuple[Any, str]:
    """The file system of a photo, and its path there."""
    from fsspec.core import url_to_fs

    try:
        files, inside = url_to_fs(photo.url)
    except Exception as err:
        raise _not_there(photo, _reason(err)) from err
    return files, str(inside)


def _reason(err: Exception) -> str:
    if isinstance(err, FileNotFoundError):
        return "there is no such file"
    return f"{type(err).__name__}, {err}".rstrip(".")


def _not_there(photo: SharedPhoto, why: str) -> PhotoNotHere:
    return PhotoNotHere(
        f"{photo.name} can't be opened where the photos are shared: {why}.",
        fix="Check the place given as --photos-at, and that every worker can read it.",
    )


def shared_photos(url: str) -> Iterator[SharedPhoto]:
    """Photos below a shared folder, as they are listed; their names are paths from there.

    Only files with a photo's ending count; hidden files and folders are left out.

    Raises
    ------
    ClusterError
        If the place can't be listed from here.
    """
    from fsspec.core import url_to_fs

    try:
        files, root = url_to_fs(url)
        if not files.isdir(root):
            raise FileNotFoundError(root)
        for folder, below, names in files.walk(root):
            # Changed in place: the walk then leaves hidden folders out, and goes by name.
            if isinstance(below, list):
                below[:] = sorted(name for name in below if not name.startswith("."))
            for name in sorted(names):
                if PurePosixPath(name).suffix.lower() in PHOTO_ENDINGS and name[0] != ".":
                    inside = f"{folder.rstrip('/')}/{name}"
                    known_as = inside.removeprefix(root.rstrip("/")).lstrip("/")
                    if not any(part.startswith(".") for part in known_as.split("/")):
                        yield SharedPhoto(str(files.unstrip_protocol(inside)), known_as)
    except FileNotFoundError as err:
        raise ClusterError(
            "There is no folder of photos at the place given.",
            fix="Give it as file:///mnt/photos or s3://bucket/folder, as the workers see it.",
        ) from err
    except Exception as err:
        raise ClusterError(
            f"The photos can't be listed: {_reason(err)}.",
            fix="Check the address and the rights. For s3:// install s3fs here and on all workers.",
        ) from err

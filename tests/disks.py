"""Disks for tests: a small one that gets full, and a folder that can't be written.

Where this system lends neither, the test is left out and says so.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


def _mounted(*arguments: str) -> bool:
    command = shutil.which("mount")
    if sys.platform != "linux" or command is None or os.geteuid() != 0:
        return False
    # The program is the system's own and the arguments are the test's.
    return subprocess.run([command, *arguments], capture_output=True, check=False).returncode == 0  # noqa: S603


def _unmount(folder: Path) -> None:
    command = shutil.which("umount") or "umount"
    subprocess.run([command, "--lazy", str(folder)], capture_output=True, check=False)  # noqa: S603


@contextmanager
def small_disk(folder: Path, size_bytes: int) -> Iterator[Path]:
    """A disk of so many bytes in a new folder."""
    folder.mkdir()
    if not _mounted("-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(folder)):
        pytest.skip("no small disk can be made here: it needs Linux and its administrator")
    try:
        yield folder
    finally:
        _unmount(folder)


def larger(disk: Path, size_bytes: int) -> None:
    """Make a small disk larger: what is on it stays."""
    assert _mounted("-o", f"remount,size={size_bytes}", str(disk))


@contextmanager
def unwritable(folder: Path) -> Iterator[Path]:
    """The folder, which can't be written as long as the block lasts."""
    if hasattr(os, "geteuid") and os.geteuid() != 0:
        rights = {path: path.stat().st_mode for path in (folder, *folder.rglob("*"))}
        for path, mode in rights.items():
            path.chmod(mode & 0o555)
        try:
            yield folder
        finally:
            for path, mode in rights.items():
                path.chmod(mode)
        return
    if not _mounted("--bind", str(folder), str(folder)):
        pytest.skip("an administrator may write everywhere here")
    try:
        if not _mounted("-o", "remount,ro,bind", str(folder)):
            pytest.skip("an administrator may write everywhere here")
        yield folder
    finally:
        _unmount(folder)


def fill_up(disk: Path, *, left_bytes: int = 0) -> Path:
    """A file that takes what room there is but for so many bytes; delete it to make room."""
    filler = disk / "filler.bin"
    free = shutil.disk_usage(disk).free
    with filler.open("wb") as stream:
        stream.write(bytes(max(0, free - left_bytes)))
    return filler

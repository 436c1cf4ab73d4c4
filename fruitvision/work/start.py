"""Starts the process that works in the background, and starts it again where it was killed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from time import monotonic

from fruitvision.store import FarmStore
from fruitvision.work.worker import is_worked_on

# In the farm's folder: what the process says when something goes wrong.
LOG_NAME = "work.log"
# Beyond this size the log begins anew, bytes. Our choice.
MOST_LOG_BYTES = 1_000_000
# A process that was started is given so long to begin. Our choice: a slow laptop needs some.
START_S = 15.0

# Processes that this one started, by farm, and when.
_started: dict[Path, tuple[subprocess.Popen[bytes], float]] = {}


def keep_working(store: FarmStore) -> bool:
    """See to it that somebody works on the farm's jobs; whether there are any.

    Cheap enough for every run of a page. Nobody works where nothing can be kept.
    """
    if not os.access(store.folder, os.W_OK):
        return False
    if not store.jobs(only_open=True, most=1):
        return False
    if not _is_starting(store.folder) and not is_worked_on(store.folder):
        _started[store.folder] = start_worker(store.folder), monotonic()
    return True


def _is_starting(folder: Path) -> bool:
    if folder not in _started:
        return False
    process, since = _started[folder]
    # Asking also lets the system forget a process that has ended.
    return process.poll() is None and monotonic() - since < START_S


def start_worker(folder: Path, *options: str) -> subprocess.Popen[bytes]:
    """Start the process, detached: it goes on when this one ends.

    Parameters
    ----------
    options : str
        Of `python -m fruitvision.work`.
    """
    log = folder / LOG_NAME
    if log.exists() and log.stat().st_size > MOST_LOG_BYTES:
        log.unlink()
    command = [sys.executable, "-m", "fruitvision.work", str(folder), *options]
    with log.open("ab") as errors:
        if sys.platform == "win32":
            apart = subprocess.DETACHED_PROCESS | subprocess.CREATE_NEW_PROCESS_GROUP
            return subprocess.Popen(  # noqa: S603
                command,
                stdin=subprocess.DEVNULL,
                stdout=errors,
                stderr=errors,
                creationflags=apart | subprocess.BELOW_NORMAL_PRIORITY_CLASS,
            )
        # The program is this interpreter and the arguments are our own.
        return subprocess.Popen(  # noqa: S603
            command,
            stdin=subprocess.DEVNULL,
            stdout=errors,
            stderr=errors,
            start_new_session=True,
        )

"""Everything of `fruitvision bench app`, in processes of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from fruitvision.bench_app.server import loaded_by_server, server_start
from fruitvision.bench_app.timing import Row, TimedPages
from fruitvision.errors import FruitVisionError
from fruitvision.records import from_json, to_plain
from fruitvision.serve import app_environment
from fruitvision.whole_file import write_asked_for

# What the app must not load: it is for training only, and takes seconds.
FORBIDDEN = "torch"
# How often a page is shown again: the middle time counts.
AGAIN = 3


def bench_app(farm: Path) -> Iterator[Row]:
    """Rows as they come: the server's start, then the pages.

    Raises
    ------
    FruitVisionError
        If the server or a page loads torch, does not start, or breaks.
    """
    yield server_start(farm)
    refuse_heavy("The server", loaded_by_server(farm))
    found = time_pages(farm)
    refuse_heavy("A page", found.loaded)
    yield from found.rows


def time_pages(farm: Path, again: int = AGAIN) -> TimedPages:
    """Time the pages in a process of their own.

    Parameters
    ----------
    again : int
        How often each page is shown again.

    Raises
    ------
    FruitVisionError
        If a page breaks.
    """
    # The program is this interpreter and the arguments are our own.
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-m", "fruitvision.bench_app.pages", str(again)],
        env=os.environ | app_environment(farm),
        check=False,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        last = done.stderr.strip().splitlines()[-1:] or ["it said nothing"]
        raise FruitVisionError(
            f"The pages could not be timed: {last[0]}", fix="Open the app and look at them."
        )
    return from_json(TimedPages, done.stdout)


def refuse_heavy(who: str, loaded: Iterable[str]) -> None:
    """Refuse what must not be loaded.

    Raises
    ------
    FruitVisionError
        If torch is among the modules.
    """
    if FORBIDDEN in {name.split(".")[0] for name in loaded}:
        raise FruitVisionError(
            f"{who} loads {FORBIDDEN}.", fix="Find the import and move it into the training."
        )


def write_json(rows: Sequence[Row], path: Path) -> None:
    """The rows as JSON.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    write_asked_for(path, json.dumps([to_plain(row) for row in rows], indent=1).encode())

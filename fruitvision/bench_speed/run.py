"""The steps of a checkout's `tests/bench/speed` under pytest-benchmark, and what came of them."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from fruitvision.bench_app.farm import FarmSize, bench_farm
from fruitvision.bench_app.run import bench_app
from fruitvision.bench_app.timing import Row
from fruitvision.bench_speed.machine import machine_words
from fruitvision.errors import FieldDataError, FruitVisionError
from fruitvision.records import to_plain
from fruitvision.whole_file import write_asked_for

ROOT = Path(__file__).parents[2]
STEPS = Path("tests") / "bench" / "speed" / "bench_steps.py"
GROUPS = ("cold", "photo", "farm", "large")
# The pages, which `fruitvision bench app` times alone.
APP_GROUP = "app"
# The invented farm: that of `fruitvision bench app`.
FARM = Path("bench-farm")
# Letters of a line, so that pytest does not cut off why a step broke.
WIDTH = 500
# The program that times, by the name of its module and of its package.
TIMER, TIMER_PACKAGE = "pytest_benchmark", "pytest-benchmark"


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedWork:
    """What to time: groups of steps, how often, photos of so many kinds of block and of a size,
    farms of so many blocks. `only` : words of pytest's -k within the groups.
    """

    groups: tuple[str, ...] = (*GROUPS, APP_GROUP)
    only: str = ""
    rounds: int = 5
    photos: int = 6
    photo_px: tuple[int, int] = (3000, 4000)
    farm: Path = FARM
    blocks: int = 60
    large_blocks: int = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Timed:
    """Rows of the table, the program's commit, and what could not be timed and why."""

    rows: tuple[Row, ...]
    program: str
    failed: tuple[str, ...] = ()


def quiet(_step: str) -> None:
    """Nobody watches."""


def time_all(work: SpeedWork, on_step: Callable[[str], None] = quiet) -> Timed:
    """Time the groups of steps that are asked for, and the pages of the app if they are.

    Parameters
    ----------
    on_step : callable
        Told the name of each step that is done.

    Raises
    ------
    FieldDataError
        If this is no checkout.
    FruitVisionError
        If pytest-benchmark is not installed, a group is unknown, or nothing could be timed.
    """
    check_checkout()
    unknown = [group for group in work.groups if group not in (*GROUPS, APP_GROUP)]
    if unknown:
        raise FruitVisionError(
            f"There are no steps called {', '.join(unknown)}.",
            fix=f"Choose from: {', '.join(GROUPS)}, {APP_GROUP}.",
        )
    timed = Timed(rows=(), program="")
    if set(work.groups) - {APP_GROUP}:
        timed = time_steps(work, on_step)
    if APP_GROUP in work.groups:
        bench_farm(work.farm, FarmSize(blocks=work.blocks)).close()
        timed = replace(timed, rows=(*timed.rows, *bench_app(work.farm)))
    return timed


def _environment() -> dict[str, str]:
    """This process's variables, without those of a pytest that it may be a test of."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    return kept | {"COLUMNS": str(WIDTH), "PYTHONUNBUFFERED": "1"}


def time_steps(work: SpeedWork, on_step: Callable[[str], None] = quiet) -> Timed:
    """Time the steps in a process of their own; a step that breaks is named, the rest goes on.

    Raises
    ------
    FruitVisionError
        If nothing could be timed.
    """
    with TemporaryDirectory() as scratch:
        written = Path(scratch) / "steps.json"
        # The program is this interpreter and the arguments are our own.
        said: list[str] = []
        with subprocess.Popen(  # noqa: S603
            [sys.executable, "-m", "pytest", *_arguments(work, written, Path(scratch))],
            cwd=ROOT,
            env=_environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as process:
            for line in process.stdout or ():
                said.append(line.rstrip())
                done = re.search(r"\[(\S+)\] (?:PASSED|FAILED|ERROR)", line)
                if done:
                    on_step(done[1])
        failed = tuple(_failed(said))
        document = json.loads(written.read_bytes()) if written.exists() else {}
    if not document.get("benchmarks"):
        last = said[-1:] or ["pytest said nothing"]
        raise FruitVisionError(
            f"Nothing could be timed: {(failed or last)[0]}",
            fix=f"Run: python -m pytest {STEPS} -o addopts= -o python_functions=bench_",
        )
    return _timed(document, failed)


def check_checkout() -> None:
    """Refuse where the steps, or what times them, are missing.

    Raises
    ------
    FieldDataError
        If this is no checkout.
    FruitVisionError
        If pytest-benchmark is not installed.
    """
    if not (ROOT / STEPS).is_file():
        raise FieldDataError(
            "The steps and their benchmark photos are not part of an installation.",
            fix="Work in a checkout: they are in its folder tests.",
        )
    if find_spec(TIMER) is None:
        raise FruitVisionError(
            f"{TIMER_PACKAGE} is not installed, and it times the steps.",
            fix="In the checkout run: pip install -e '.[dev]'",
        )


def write_timed(timed: Timed, path: Path, work: SpeedWork) -> None:
    """The rows with the machine, the program and the rounds as JSON.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    document = {
        "machine": machine_words(),
        "program": timed.program,
        "rounds": work.rounds,
        "rows": [to_plain(row) for row in timed.rows],
        "failed": list(timed.failed),
    }
    write_asked_for(path, json.dumps(document, indent=1).encode())


def _arguments(work: SpeedWork, written: Path, scratch: Path) -> list[str]:
    """Of pytest: this file alone, in one process, without the options of the suite."""
    names = " or ".join(f"{group}-" for group in work.groups if group != APP_GROUP)
    chosen = f"({names}) and ({work.only})" if work.only else names
    options: dict[str, object] = {
        "--basetemp": scratch / "work",
        "--benchmark-json": written,
        "--rounds": work.rounds,
        "--photos": work.photos,
        "--blocks": work.blocks,
        "--large-blocks": work.large_blocks,
        "--farm": work.farm.resolve(),
    }
    given = [f"{name}={value}" for name, value in options.items()]
    given += ["--photo-px", *map(str, work.photo_px)]
    plain = ["-v", "-rf", "--tb=line", "--benchmark-quiet", "-p", "no:cacheprovider"]
    alone = ["-o", "addopts=", "-o", "python_functions=bench_", "-k", chosen]
    return [*map(str, (STEPS, *alone, *plain)), *given]


def _failed(said: Sequence[str]) -> Iterator[str]:
    """Steps that broke, and why, from pytest's summary."""
    for line in said:
        kind, _, rest = line.partition(" ")
        if kind in ("FAILED", "ERROR"):
            yield rest.rpartition("[")[2].replace("]", "", 1)


def _timed(document: dict[str, Any], failed: tuple[str, ...]) -> Timed:
    rows = []
    for one in document["benchmarks"]:
        found = one["extra_info"]
        rows.append(Row(**{name: found[name] for name in Row.__dataclass_fields__}))
    commit = document.get("commit_info", {})
    changed = ", with changes that are not committed" if commit.get("dirty") else ""
    return Timed(
        rows=tuple(rows),
        program=f"commit {str(commit.get('id', 'unknown'))[:7]}{changed}",
        failed=failed,
    )

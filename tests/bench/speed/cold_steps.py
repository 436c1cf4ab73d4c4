"""Commands as a person starts them, each in a new process."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import cycle
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp

from tests.bench.speed.place import Place
from tests.bench.speed.step import Prepared, Step

# `fruitvision`, of this interpreter.
COMMAND = "import sys; from fruitvision.cli import main; sys.exit(main())"


@contextmanager
def _help(place: Place) -> Iterator[Prepared]:
    yield lambda: lambda: _run(place, "--help")


@contextmanager
def _measure(place: Place) -> Iterator[Prepared]:
    paths = cycle(place.photos)
    made: list[Path] = []

    def prepared() -> Callable[[], object]:
        for folder in made:
            rmtree(folder, ignore_errors=True)
        made[:] = [Path(mkdtemp(dir=place.folder))]
        path = next(paths)
        return lambda: _run(place, "measure", str(path), "--out", str(made[0] / "out"))

    yield prepared


def _run(place: Place, *arguments: str) -> None:
    # The program is this interpreter and the arguments are our own.
    subprocess.run(  # noqa: S603
        [sys.executable, "-P", "-c", COMMAND, *arguments],
        env=os.environ | {"PYTHONPATH": str(place.source)},
        cwd=place.folder,
        check=True,
        capture_output=True,
    )


# Targets: what was asked for.
COLD_STEPS = (
    Step(name="help", group="cold", words="fruitvision --help", ready=_help, target_s=0.5),
    Step(
        name="measure",
        group="cold",
        words="fruitvision measure, one photo",
        ready=_measure,
        a_photo=True,
        target_s=3.0,
        target_mb=1000.0,
    ),
)

"""Steps in processes of their own, asked for one run after the other."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from tempfile import TemporaryFile
from typing import IO

from tests.bench.speed.place import ROOT, Place
from tests.bench.speed.steps import ON_A_FARM
from tests.bench.speed.used import Used


class StepFault(Exception):
    """The step can't be done by this program; the text says why."""


@dataclass(frozen=True, slots=True)
class Child:
    """A process that does one step."""

    process: subprocess.Popen[str]
    errors: IO[bytes]

    def run_once(self) -> Used:
        """One more run.

        Raises
        ------
        StepFault
            If the step or the process breaks.
        """
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        # Why a process has ended stands in what it said last.
        with suppress(BrokenPipeError):
            self.process.stdin.write("again\n")
            self.process.stdin.flush()
        answer = self.process.stdout.readline()
        if not answer:
            self.errors.seek(0)
            last = self.errors.read().decode(errors="replace").strip().splitlines()[-1:]
            raise StepFault(last[0] if last else "its process ended without a word")
        found = json.loads(answer)
        if "fault" in found:
            raise StepFault(found["fault"])
        return Used(**found)


@contextmanager
def child_of(name: str, place: Place) -> Iterator[Child]:
    """A process for the step of a name; it is ended at the end."""
    command = [sys.executable, "-m", "tests.bench.speed.child", name]
    command += ["--source", str(place.source), "--work", str(place.folder)]
    command += ["--blocks", str(place.blocks), "--workers", str(place.workers)]
    command += ["--farm", str(place.farm)] if place.farm else []
    command += [] if place.pictures else ["--no-pictures"]
    with TemporaryFile() as errors:
        # The program is this interpreter and the arguments are our own.
        process = subprocess.Popen(  # noqa: S603
            [*command, "--photos", *map(str, place.photos)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
        )
        try:
            yield Child(process, errors)
        finally:
            assert process.stdin is not None
            with suppress(BrokenPipeError):
                process.stdin.close()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()


def runs_of(name: str, place: Place, runs: int) -> list[Used]:
    """So many runs of a step in a new process.

    Raises
    ------
    StepFault
        If the step can't be done.
    """
    with child_of(name, place) as child:
        return [child.run_once() for _ in range(runs)]


def make_farm(name: str, place: Place) -> None:
    """Make the farm of a step in a process of its own, whose memory counts for nothing."""
    if name in ON_A_FARM and not place.farm_folder.exists():
        runs_of(name, place, 0)

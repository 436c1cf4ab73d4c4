"""The app as people start it: `fruitvision app --farm FOLDER --port PORT`."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from http.client import HTTPConnection
from pathlib import Path

from fruitvision.serve import DAY_VARIABLE
from fruitvision.store import open_farm
from fruitvision.store.farm_store import DATABASE_NAME

# Our choice: several times what a busy machine of two cores takes.
START_S = 60.0
STOP_S = 10.0
WORK_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """An app that listens, and the farm that it was started for."""

    farm: Path
    port: int
    log: Path

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    @property
    def address(self) -> str:
        return f"http://{self.host}"


@contextmanager
def served(farm: Path, *, day: date | None = None) -> Iterator[Served]:
    """The app of a farm, from its start to its end; what it printed is in `log`.

    Parameters
    ----------
    day : date, optional
        What the app takes for today, so that its pages look the same on every day.
    """
    port = free_port()
    log = farm.parent / f"{farm.name}-{port}.log"
    command = [str(Path(sys.executable).with_name("fruitvision")), "app"]
    command += ["--farm", str(farm), "--port", str(port)]
    # Without the variables of the test's own run, as a person's terminal is.
    clean = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    if day is not None:
        clean[DAY_VARIABLE] = day.isoformat()
    with log.open("wb") as stream:
        process = subprocess.Popen(  # noqa: S603
            command, stdout=stream, stderr=stream, env=clean, start_new_session=True
        )
    try:
        _wait_until_healthy(process, port, log)
        yield Served(farm=farm, port=port, log=log)
    finally:
        _stop_background_work(farm)
        os.killpg(process.pid, signal.SIGTERM)
        try:
            process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(STOP_S)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _wait_until_healthy(process: subprocess.Popen[bytes], port: int, log: Path) -> None:
    end = time.monotonic() + START_S
    while time.monotonic() < end:
        if process.poll() is not None:
            raise AssertionError(f"the app ended at its start:\n{log.read_text()}")
        try:
            asked = HTTPConnection("127.0.0.1", port, timeout=5)
            asked.request("GET", "/_stcore/health")
            if asked.getresponse().status == 200:
                return
        except OSError:
            pass
        time.sleep(0.2)
    raise AssertionError(f"the app does not answer after {START_S:.0f} s:\n{log.read_text()}")


def _stop_background_work(farm: Path) -> None:
    """The process that measures outlives the app on purpose: here its work is called off."""
    if not (farm / DATABASE_NAME).exists():
        return
    with open_farm(farm, create=False) as store:
        for job in store.jobs(only_open=True):
            store.cancel_job(job.number)

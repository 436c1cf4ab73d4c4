"""How long the server takes to start, and what it loads."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from tempfile import TemporaryFile
from time import perf_counter, sleep
from typing import IO

from fruitvision.bench_app.timing import Row
from fruitvision.errors import FruitVisionError

# From the start of the process until it answers, s.
START_S = 3.0
# It is given up after so long, s.
TIMEOUT_S = 120
# `fruitvision`, of this interpreter.
COMMAND = "from fruitvision.cli import main; main()"
HEALTH = "/_stcore/health"
# The server goes on loading what pages need once it answers: so long is waited for it, s.
LOADING_S = 20.0


def server_start(farm: Path) -> Row:
    """From the start of `fruitvision app` until its health endpoint answers.

    Raises
    ------
    FruitVisionError
        If it does not answer.
    """
    begun = perf_counter()
    with TemporaryFile() as said, _server(farm, said):
        taken = perf_counter() - begun
    return Row(what="server start", wall_s=taken, processor_s=None, target_s=START_S)


def loaded_by_server(farm: Path) -> frozenset[str]:
    """Names of the modules that the server loads, and those that it loads ahead for its pages.

    Raises
    ------
    FruitVisionError
        If it does not start.
    """
    with TemporaryFile() as said:
        with _server(farm, said, PYTHONPROFILEIMPORTTIME="1"):
            sleep(LOADING_S)
        said.seek(0)
        lines = said.read().decode(errors="replace").splitlines()
    # import time: self [us] | cumulative | imported package
    found = (re.match(r"import time:\s+\d+ \|\s+\d+ \|\s+(\S+)$", line) for line in lines)
    return frozenset(one[1] for one in found if one)


@contextmanager
def _server(farm: Path, said: IO[bytes], **variables: str) -> Iterator[None]:
    """A server of the farm that answers."""
    port = _free_port()
    command = [sys.executable, "-c", COMMAND, "app", "--farm", str(farm)]
    # The program is this interpreter and the arguments are our own.
    process = subprocess.Popen(  # noqa: S603
        [*command, "--port", str(port)],
        env=os.environ | variables,
        stdout=said,
        stderr=said,
        start_new_session=True,
    )
    try:
        _wait(process, port)
        yield
    finally:
        _stop(process)


def _wait(process: subprocess.Popen[bytes], port: int) -> None:
    end = perf_counter() + TIMEOUT_S
    while perf_counter() < end and process.poll() is None:
        if _answers(port):
            return
        sleep(0.02)
    raise FruitVisionError(
        f"The server did not answer on port {port}.",
        fix="Run: fruitvision app, and see what it says.",
    )


def _answers(port: int) -> bool:
    asked = HTTPConnection("127.0.0.1", port, timeout=1)
    try:
        asked.request("GET", HEALTH)
        return asked.getresponse().status == 200
    except (OSError, HTTPException):
        return False
    finally:
        asked.close()


def _stop(process: subprocess.Popen[bytes]) -> None:
    """End the command and the server that it started."""
    if hasattr(os, "killpg"):
        os.killpg(process.pid, 15)
    else:
        process.terminate()
    try:
        process.wait(timeout=10)
    except subprocess.TimeoutExpired:
        process.kill()


def _free_port() -> int:
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        return int(bound.getsockname()[1])

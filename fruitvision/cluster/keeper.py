"""This computer's workers, started again whenever they end.

Dask's worker, and the nanny that looks after it, end for good when their scheduler is out of reach
for half a minute (`distributed.comm.timeouts.tcp`): a cable that was pulled, or a scheduler that
was started again. Others measure their photos meanwhile; but somebody has to start them again.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from importlib.util import find_spec

from fruitvision.cluster.connect import check_address
from fruitvision.cores import THREADS_VARIABLE
from fruitvision.errors import ClusterError

# Until they are started again. Our choice: short beside the half minute after which they end.
PAUSE_S = 5.0
# For workers to put their things away before they are ended hard. Our choice.
GOODBYE_S = 15.0


def keep_workers(address: str, *, number: int, on_end: Callable[[int], None]) -> None:
    """Run workers of one thread each until this process is stopped.

    Parameters
    ----------
    number : int
        Photos that they measure side by side.
    on_end : callable
        Told the exit status whenever they end, before they are started again.

    Raises
    ------
    ClusterError
        If the extra is missing or the address is none.
    """
    check_address(address)
    if find_spec("distributed") is None:
        raise ClusterError(
            "Work on a cluster needs more than is installed here: distributed is missing.",
            fix="Install it: pip install 'fruitvision[cluster]'.",
        )
    options = ["--nworkers", str(number), "--nthreads", "1", "--no-dashboard"]
    command = [sys.executable, "-m", "dask", "worker", address, *options]
    # Each with the thread that it is given, and no more.
    one = {THREADS_VARIABLE: "1", "OMP_NUM_THREADS": "1"}
    keep_running(command, environment={**os.environ, **one}, on_end=on_end)


def keep_running(
    command: Sequence[str],
    *,
    environment: Mapping[str, str],
    on_end: Callable[[int], None],
    pause: Callable[[float], None] = time.sleep,
) -> None:
    """Run a program again and again until this process is stopped; then it ends too."""
    while True:
        with _ended_with_us(subprocess.Popen(command, env=environment)) as process:  # noqa: S603
            status = process.wait()
        on_end(status)
        pause(PAUSE_S)


@contextmanager
def _ended_with_us(process: subprocess.Popen[bytes]) -> Iterator[subprocess.Popen[bytes]]:
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(GOODBYE_S)
            process.kill()
            process.wait()

"""A scheduler and workers for benches: each worker in a network namespace of its own, as a machine
of its own would be, where the system allows that; else as processes with folders of their own."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from filelock import FileLock
from PIL import Image

from fruitvision.photo import find_photos
from fruitvision.share import shared_folder

# A network for this bench alone, behind a bridge.
BRIDGE, NETWORK = "fvbridge", "10.77.0"
START_S = 120.0
# The program's command line, whatever is installed.
COMMAND = ("-c", "import sys; from fruitvision.cli import main; sys.exit(main(sys.argv[1:]))")


@dataclass(frozen=True, slots=True)
class Machine:
    """A worker and the process group that it runs in."""

    name: str
    process: subprocess.Popen[bytes]
    namespace: str
    folder: Path
    command: tuple[str, ...]

    def kill(self) -> None:
        """As if the plug was pulled: nobody is told."""
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def kill_process(self, pid: int) -> None:
        """End one process of it, as a system does that runs out of memory."""
        if pid not in _group(self.process.pid):
            raise RuntimeError(f"{pid} is no process of {self.name}")
        os.kill(pid, signal.SIGKILL)

    def started_again(self) -> Machine:
        """The same machine after a kill, as if somebody had switched it on."""
        return _start(self.name, self.namespace, self.folder, list(self.command))

    def cable(self, *, plugged: bool) -> None:
        """Pull the plug of its network, or put it in again; its processes go on."""
        outer = self.namespace.replace("fv-", "fvo")
        _ip("link", "set", outer, "up" if plugged else "down")

    def processor_s(self) -> float:
        """Processor seconds of its processes up to now, whatever else this computer does."""
        ticks = os.sysconf("SC_CLK_TCK")
        return sum(_ticks(pid) for pid in _group(self.process.pid)) / ticks

    def wire_bytes(self) -> tuple[int, int]:
        """Bytes that came to it and that it sent, up to now; 0 where it has no network."""
        if not self.namespace:
            return 0, 0
        # As the bridge's end of its cable counts them.
        outer = Path("/sys/class/net") / self.namespace.replace("fv-", "fvo") / "statistics"
        counts = [int((outer / f"{way}_bytes").read_text()) for way in ("tx", "rx")]
        return counts[0], counts[1]


@dataclass(frozen=True, slots=True)
class Machines:
    """A running cluster. `apart` : its workers have networks of their own. A worker that is
    started again takes its old one's place in the list."""

    address: str
    scheduler: Machine
    workers: list[Machine]
    apart: bool


@contextmanager
def machines(number: int, folder: Path) -> Iterator[Machines]:
    """A scheduler and so many workers, ended with the block."""
    # Networks have one name for all: two benches at once would take each other's away.
    with FileLock(Path(tempfile.gettempdir()) / f"{BRIDGE}.lock"):
        yield from _machines(number, folder)


def _machines(number: int, folder: Path) -> Iterator[Machines]:
    apart = _may_have_namespaces()
    started: list[Machine] = []
    cluster: Machines | None = None
    try:
        host = f"{NETWORK}.1" if apart else "127.0.0.1"
        spaces = _networks(number) if apart else [""] * number
        scheduler_file = folder / "scheduler.json"
        scheduler_file.unlink(missing_ok=True)
        options = ["--host", host, "--port", "0", "--no-dashboard", "--no-show"]
        options += ["--scheduler-file", str(scheduler_file)]
        started.append(_start("scheduler", "", folder, ["-m", "dask", "scheduler", *options]))
        address = _address_in(scheduler_file, started[0])
        for count, space in enumerate(spaces, start=1):
            name = f"worker-{count}"
            keep = [*COMMAND, "cluster", "worker", address, "--photos", "1"]
            started.append(_start(name, space, folder, keep))
        wait_for(address, number)
        cluster = Machines(address, started[0], started[1:], apart)
        yield cluster
    finally:
        for machine in [*(cluster.workers if cluster else started[1:]), *started[:1]]:
            machine.kill()
        if apart:
            _no_networks(number)


def _start(name: str, namespace: str, folder: Path, command: list[str]) -> Machine:
    home = folder / name
    home.mkdir(parents=True, exist_ok=True)
    inside = ["ip", "netns", "exec", namespace] if namespace else []
    # Each with the thread that a worker is given, and no more.
    environment = {
        **os.environ,
        "PYTHONPATH": str(Path(__file__).parents[2]),
        "FRUITVISION_THREADS": "1",
        "OMP_NUM_THREADS": "1",
        # By it a worker's folder says whose it is.
        "DASK_TEMPORARY_DIRECTORY": str(home),
    }
    with (folder / f"{name}.log").open("ab") as log:
        process = subprocess.Popen(  # noqa: S603
            [*inside, sys.executable, *command],
            cwd=home,
            env=environment,
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
    return Machine(name, process, namespace, folder, tuple(command))


def _address_in(file: Path, scheduler: Machine) -> str:
    until = time.monotonic() + START_S
    while time.monotonic() < until and scheduler.process.poll() is None:
        with suppress(OSError, ValueError, KeyError):
            return str(json.loads(file.read_text(encoding="utf-8"))["address"])
        time.sleep(0.2)
    raise RuntimeError("the scheduler did not start: see scheduler.log")


def wait_for(address: str, number: int) -> None:
    """Wait until so many workers are there."""
    from distributed import Client

    with Client(address, set_as_default=False, timeout=START_S) as client:
        client.wait_for_workers(number, timeout=START_S)


# ---------------------------------------------------------------- namespaces


def _may_have_namespaces() -> bool:
    if shutil.which("ip") is None:
        return False
    made = _ip("netns", "add", "fv-try", check=False)
    _ip("netns", "del", "fv-try", check=False)
    return made


def _networks(number: int) -> list[str]:
    """Namespaces of workers behind a bridge, on which the scheduler listens."""
    _no_networks(number)
    _ip("link", "add", BRIDGE, "type", "bridge")
    _ip("addr", "add", f"{NETWORK}.1/24", "dev", BRIDGE)
    _ip("link", "set", BRIDGE, "up")
    spaces = []
    for count in range(1, number + 1):
        space, outer, inner = f"fv-{count}", f"fvo{count}", f"fvi{count}"
        _ip("netns", "add", space)
        _ip("link", "add", outer, "type", "veth", "peer", "name", inner)
        _ip("link", "set", inner, "netns", space)
        _ip("link", "set", outer, "master", BRIDGE)
        _ip("link", "set", outer, "up")
        _ip("-n", space, "addr", "add", f"{NETWORK}.{count + 1}/24", "dev", inner)
        _ip("-n", space, "link", "set", inner, "up")
        _ip("-n", space, "link", "set", "lo", "up")
        spaces.append(space)
    return spaces


def _no_networks(number: int) -> None:
    for count in range(1, number + 1):
        # The cable first: the system takes its time to clear up after a namespace.
        _ip("link", "del", f"fvo{count}", check=False)
        _ip("netns", "del", f"fv-{count}", check=False)
    _ip("link", "del", BRIDGE, check=False)


def _ip(*words: str, check: bool = True) -> bool:
    done = subprocess.run(["ip", *words], capture_output=True, check=False)  # noqa: S603, S607
    if check and done.returncode:
        raise RuntimeError(f"ip {' '.join(words)}: {done.stderr.decode()}")
    return done.returncode == 0


# ---------------------------------------------------------------- processes


def _group(leader: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            with suppress(OSError):
                if os.getpgid(int(entry.name)) == leader:
                    found.append(int(entry.name))
    return found


def _ticks(pid: int) -> int:
    """Of a process and its children that have ended: fields 14 to 17 of proc(5) `stat`."""
    with suppress(OSError):
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
        return sum(map(int, fields[11:15]))
    return 0


# ---------------------------------------------------------------- photos


def cut_photos(folder: Path, number: int, *, width_px: int = 450) -> list[Path]:
    """Parts of the sample photos, each another one, a third as wide and high; cut once."""
    folder.mkdir(parents=True, exist_ok=True)
    samples = find_photos([shared_folder("samples") / "photos"])
    height_px = width_px * 4 // 3
    paths = []
    for count in range(number):
        path = folder / f"tree {count:04}.jpg"
        if not path.exists():
            with Image.open(samples[count % len(samples)]) as whole:
                room = np.array(whole.size) - (width_px, height_px)
                x, y = np.random.default_rng(count).integers(0, room + 1).tolist()
                whole.crop((x, y, x + width_px, y + height_px)).save(path, quality=90)
        paths.append(path)
    return paths

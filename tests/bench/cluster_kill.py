"""Kill workers, cut cables, and stop whoever asked, in the middle of a season's photos; nothing may
be lost.

``python -m tests.bench.cluster_kill FOLDER --photos 60 --workers 2 --kills 5``: a scheduler and
workers, each worker in a network namespace of its own where the system allows it. `fruitvision
cluster measure` is stopped by Ctrl-C after a quarter of the photos and started again. From then on,
spread over the rest of the photos, a worker that is just at work is killed by SIGKILL: in turn the
whole machine (switched on again at once) and its measuring process alone (started again by its
keeper). Then, `--cuts` times, the cable of a worker at work is pulled for `--cut-s` seconds.
The farm is then held against one that was measured on this computer, without a cluster and
undisturbed. Nobody may edit the program meanwhile: a worker that starts again would run another one
than whoever asked, and be left out.
"""

from __future__ import annotations

import argparse
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fruitvision.pipeline import measure_photos
from fruitvision.settings import Settings
from fruitvision.store import DATABASE_NAME, open_farm
from tests.bench.cluster_machines import COMMAND, Machines, cut_photos, machines

if TYPE_CHECKING:
    from distributed import Client

LONGEST_S = 900.0


@dataclass(frozen=True, slots=True)
class Plan:
    """How much is to be disturbed."""

    photos: int
    detector: str
    workers: int
    kills: int
    cuts: int
    cut_s: float


def main() -> int:
    """0 if both farms hold the same."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=60)
    parser.add_argument("--detector", default="learned")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--kills", type=int, default=1)
    parser.add_argument("--cuts", type=int, default=0)
    parser.add_argument("--cut-s", type=float, default=45.0)
    chosen = vars(parser.parse_args())
    folder = chosen.pop("folder").absolute()
    plan = Plan(**chosen)
    photos = cut_photos(folder / "photos", plan.photos)
    disturbed, alone = folder / "disturbed", folder / "alone"
    for farm in (disturbed, alone):
        shutil.rmtree(farm, ignore_errors=True)
    _disturbed(folder, disturbed, plan)
    with open_farm(alone) as store:
        measure_photos(photos, store=store, settings=Settings(), detector_name=plan.detector)
    return _compared(disturbed, alone, len(photos))


def _disturbed(folder: Path, farm: Path, plan: Plan) -> None:
    from distributed import Client

    with (
        machines(plan.workers, folder) as cluster,
        Client(cluster.address, set_as_default=False) as client,
    ):
        _say(f"workers in network namespaces of their own: {'yes' if cluster.apart else 'no'}")
        asked = _ask(cluster.address, folder, farm, plan.detector)
        _wait_until(farm, plan.photos // 4, asked)
        asked.send_signal(signal.SIGINT)
        status = asked.wait(LONGEST_S)
        begun = _stored(farm)
        _say(f"Ctrl-C at {begun} of {plan.photos} photos stored; exit status {status}")
        asked = _ask(cluster.address, folder, farm, plan.detector)
        kinds = [_kill_machine, _kill_process] * plan.kills
        deeds = [*kinds[: plan.kills], *[_cut_cable] * plan.cuts]
        for count, deed in enumerate(deeds, start=1):
            wanted = begun + (plan.photos - begun) * count // (len(deeds) + 1)
            _wait_until(farm, wanted, asked)
            number = _at_work(client, cluster)
            _say(f"at {_stored(farm)} of {plan.photos}: {deed(client, cluster, number, plan)}")
        status = asked.wait(LONGEST_S)
        _say(f"went on with the others; exit status {status}")


def _at_work(client: Client, cluster: Machines) -> int:
    """Number of a worker that is just working on a photo; the next one each time."""
    until = time.monotonic() + LONGEST_S
    while time.monotonic() < until:
        at_work = {name for name, tasks in _tasks(client).items() if tasks}
        for number, worker in enumerate(cluster.workers):
            if worker.name in at_work:
                # To the end of the list, so that each has its turn.
                cluster.workers.append(cluster.workers.pop(number))
                return len(cluster.workers) - 1
        time.sleep(0.1)
    raise RuntimeError("no worker is at work")


def _tasks(client: Client) -> dict[str, Any]:
    """Tasks that each worker has now, by its name."""
    names = _names(client)
    processing = client.processing().items()
    return {names[address]: keys for address, keys in processing if address in names}


def _names(client: Client) -> dict[str, str]:
    """Names of the machines that are there, by address."""
    found = client.scheduler_info(n_workers=-1)["workers"].items()
    parts = {address: Path(one["local_directory"]).parts for address, one in found}
    return {
        address: next(part for part in of if part.startswith("worker-"))
        for address, of in parts.items()
    }


def _kill_machine(_: Client, cluster: Machines, number: int, plan: Plan) -> str:
    worker = cluster.workers[number]
    worker.kill()
    cluster.workers[number] = worker.started_again()
    return f"{worker.name} killed while at work, as a whole, and switched on again"


def _kill_process(client: Client, cluster: Machines, number: int, plan: Plan) -> str:
    worker = cluster.workers[number]
    (address,) = [one for one, name in _names(client).items() if name == worker.name]
    pid = client.run(_pid, workers=[address])[address]
    worker.kill_process(pid)
    return f"measuring process of {worker.name} killed while at work"


def _cut_cable(_: Client, cluster: Machines, number: int, plan: Plan) -> str:
    worker = cluster.workers[number]
    worker.cable(plugged=False)
    time.sleep(plan.cut_s)
    worker.cable(plugged=True)
    return f"cable of {worker.name} pulled while at work, in again after {plan.cut_s:g} s"


def _pid() -> int:
    import os

    return os.getpid()


def _ask(address: str, folder: Path, farm: Path, detector: str) -> subprocess.Popen[bytes]:
    words = ["cluster", "measure", str(folder / "photos"), "--cluster", address]
    words += ["--farm", str(farm), "--detector", detector]
    return subprocess.Popen([sys.executable, *COMMAND, *words])  # noqa: S603


def _wait_until(farm: Path, wanted: int, asked: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + LONGEST_S
    while _stored(farm) < wanted and asked.poll() is None and time.monotonic() < until:
        time.sleep(0.1)
    if asked.poll() is not None:
        raise RuntimeError("it was done before it could be disturbed: give more photos")


def _stored(farm: Path) -> int:
    if (farm / DATABASE_NAME).exists():
        with suppress(sqlite3.Error), closing(sqlite3.connect(farm / DATABASE_NAME)) as database:
            return int(database.execute("SELECT count(*) FROM measurement").fetchone()[0])
    return 0


def _compared(disturbed: Path, alone: Path, photos: int) -> int:
    with open_farm(disturbed) as one, open_farm(alone) as other:
        found = {m.photo.photo_id: m for m in one.measured_photos()}
        wanted = {m.photo.photo_id: m for m in other.measured_photos()}
    twice = _stored(disturbed) - len(found)
    others = sum(found[photo_id] != wanted[photo_id] for photo_id in wanted.keys() & found.keys())
    fruit = sum(len(one.fruit) for one in found.values())
    _say(
        f"{photos} photos, {fruit} fruit: {len(wanted.keys() - found.keys())} lost, {twice} twice, "
        f"{others} other than without a cluster"
    )
    return int(found != wanted or twice != 0 or len(found) != photos)


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())

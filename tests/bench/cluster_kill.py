"""Kill a worker, and whoever asked, in the middle of a season's photos; nothing may be lost.

``python -m tests.bench.cluster_kill FOLDER --photos 60``: a scheduler and two workers, each worker
in a network namespace of its own where the system allows it. `fruitvision cluster measure` is
stopped by Ctrl-C after a quarter of the photos and started again; after half of them a worker and
all its processes are killed by SIGKILL. The farm is then held against one that was measured on
this computer, without a cluster and undisturbed.
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
from pathlib import Path

from fruitvision.pipeline import measure_photos
from fruitvision.settings import Settings
from fruitvision.store import DATABASE_NAME, open_farm
from tests.bench.cluster_machines import cut_photos, machines

LONGEST_S = 900.0


def main() -> int:
    """0 if both farms hold the same."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=60)
    parser.add_argument("--detector", default="learned")
    chosen = parser.parse_args()
    folder = chosen.folder.absolute()
    photos = cut_photos(folder / "photos", chosen.photos)
    disturbed, alone = folder / "disturbed", folder / "alone"
    for farm in (disturbed, alone):
        shutil.rmtree(farm, ignore_errors=True)
    _disturbed(folder, disturbed, len(photos), chosen.detector)
    with open_farm(alone) as store:
        measure_photos(photos, store=store, settings=Settings(), detector_name=chosen.detector)
    return _compared(disturbed, alone, len(photos))


def _disturbed(folder: Path, farm: Path, photos: int, detector: str) -> None:
    with machines(2, folder) as cluster:
        _say(f"workers in network namespaces of their own: {'yes' if cluster.apart else 'no'}")
        asked = _ask(cluster.address, folder, farm, detector)
        _wait_until(farm, photos // 4, asked)
        asked.send_signal(signal.SIGINT)
        status = asked.wait(LONGEST_S)
        _say(f"Ctrl-C at {_stored(farm)} of {photos} photos stored; exit status {status}")
        asked = _ask(cluster.address, folder, farm, detector)
        _wait_until(farm, photos // 2, asked)
        cluster.workers[0].kill()
        _say(f"{cluster.workers[0].name} killed at {_stored(farm)} of {photos} photos stored")
        status = asked.wait(LONGEST_S)
        _say(f"went on with {cluster.workers[1].name}; exit status {status}")


def _ask(address: str, folder: Path, farm: Path, detector: str) -> subprocess.Popen[bytes]:
    words = ["cluster", "measure", str(folder / "photos"), "--cluster", address]
    words += ["--farm", str(farm), "--detector", detector]
    start = "import sys; from fruitvision.cli import main; sys.exit(main(sys.argv[1:]))"
    return subprocess.Popen([sys.executable, "-c", start, *words])  # noqa: S603


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

"""What a photo costs on a cluster, part by part, and from these a million of them.

``python -m tests.bench.bench_cluster FOLDER --photos 60``; `--postgresql URL` stores on that server
too, in a schema that is left there; without it a server that never syncs is started for the time.
Times are processor seconds of each process, so that a machine which others use tells them too; wall
seconds are given for ratios within one run only.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from PIL import Image

from fruitvision.cluster import cluster_at
from fruitvision.cluster.connect import connected
from fruitvision.cluster.fit import FitWorkers
from fruitvision.cluster.flight import Flight, Task, Work
from fruitvision.cores import keep_to
from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline import measure_photo, measure_photos
from fruitvision.settings import Settings
from fruitvision.store import open_farm
from tests.bench.bench_cluster_store import store_lines
from tests.bench.cluster_machines import Machine, Machines, cut_photos, machines
from tests.cluster_tasks import what_happens

EMPTY_TASKS = 2000
# Width of the sample photos; larger ones are made of them, a phone's of 12 million px too.
SAMPLE_PX = 1500


@dataclass(frozen=True, slots=True)
class Spent:
    """Of a piece of work: wall seconds, and processor seconds and bytes by process."""

    wall_s: float
    client_s: float
    scheduler_s: float
    workers_s: float
    bytes_in: int
    bytes_out: int

    def line(self, name: str, number: int) -> str:
        """A row of a table, each number for one photo."""
        parts = (self.workers_s, self.scheduler_s, self.client_s)
        milliseconds = " | ".join(f"{1000 * part / number:.2f}" for part in parts)
        traffic = f"{self.bytes_in / number / 1000:.1f} | {self.bytes_out / number / 1000:.1f}"
        return f"| {name} | {milliseconds} | {traffic} | {number / self.wall_s:.2f} |"


def main() -> None:
    """Print tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=60)
    parser.add_argument("--detector", default="learned")
    parser.add_argument("--postgresql", default="")
    parser.add_argument("--only", choices=("wire", "store", "photo"))
    chosen = parser.parse_args()
    folder = chosen.folder.absolute()
    folder.mkdir(parents=True, exist_ok=True)
    if chosen.only in (None, "wire"):
        _say(_wire(folder, chosen.photos, chosen.detector))
    if chosen.only in (None, "store"):
        _say(store_lines(folder, chosen.postgresql))
    if chosen.only in (None, "photo"):
        _say(_one_photo(folder, chosen.detector))


def _wire(folder: Path, number: int, detector: str) -> Iterator[str]:
    photos = cut_photos(folder / "photos", number)
    sizes = [path.stat().st_size for path in photos]
    yield f"{number} photos of {sum(sizes) / number / 1000:.0f} kB, {detector}"
    yield "| | ms of workers | of scheduler | of client | kB to workers | from them | photos/s |"
    yield "|---|---|---|---|---|---|---|"
    for count in (1, 2):
        with machines(count, folder) as cluster:
            for way, place in (("shared", str(folder / "photos")), ("sent", "")):
                work = partial(_measure, cluster.address, photos, folder, detector, place)
                name = f"{count} worker{'s' * (count > 1)}, {way}"
                if way == "shared":
                    work()  # each worker loads its detector
                yield _spent(cluster, work).line(name, number)
            empty = partial(_empty, cluster.address)
            yield _spent(cluster, empty).line(f"{count}, empty tasks", EMPTY_TASKS)


def _measure(address: str, photos: list[Path], folder: Path, detector: str, place: str) -> None:
    farm = folder / "farm"
    shutil.rmtree(farm, ignore_errors=True)
    with (
        open_farm(farm) as store,
        cluster_at(
            address, detector_name=detector, photos_at=place, below=photos[0].parent
        ) as workers,
    ):
        done = measure_photos(
            photos, store=store, settings=Settings(), detector_name=detector, workers=workers
        )
    if done.refused or len(done.photos) != len(photos):
        raise RuntimeError(f"not all photos were measured: {done.refused}")


def _empty(address: str) -> None:
    with connected(address) as client:
        tasks = (Task(n, partial(Work, what_happens, ("fine", ""))) for n in range(EMPTY_TASKS))
        found = sum(len(group) for group in Flight(FitWorkers(client)).answers(tasks))
    if found != EMPTY_TASKS:
        raise RuntimeError(f"{found} answers of {EMPTY_TASKS}")


def _spent(cluster: Machines, work: Callable[[], None]) -> Spent:
    with _counted(cluster) as counts:
        work()
    return Spent(*counts)


@contextmanager
def _counted(cluster: Machines) -> Iterator[list[float]]:
    found: list[float] = []
    before = _counts(cluster)
    yield found
    found += [after - start for after, start in zip(_counts(cluster), before, strict=True)]


def _counts(cluster: Machines) -> list[float]:
    traffic = [worker.wire_bytes() for worker in cluster.workers]
    return [
        time.perf_counter(),
        time.process_time(),
        cluster.scheduler.processor_s(),
        _processor_s(cluster.workers),
        sum(came for came, _ in traffic),
        sum(went for _, went in traffic),
    ]


def _processor_s(workers: Iterable[Machine]) -> float:
    return sum(worker.processor_s() for worker in workers)


def _one_photo(folder: Path, detector_name: str) -> Iterator[str]:
    """Processor seconds of a photo by size, with one thread."""
    keep_to(1)
    detector, settings = choose_detector(detector_name), Settings()
    yield "| photo | kB | processor s, one thread |"
    yield "|---|---|---|"
    for width_px in (450, 1500, 3000):
        paths = cut_photos(folder / f"photos {width_px}", 4, width_px=min(width_px, SAMPLE_PX))
        for path in paths if width_px > SAMPLE_PX else ():
            with Image.open(path) as photo:
                photo.resize((width_px, width_px * 4 // 3)).save(path, quality=90)
        measure_photo(paths[0], detector=detector, settings=settings)
        start = time.process_time()
        for path in paths[1:]:
            measure_photo(path, detector=detector, settings=settings)
        each = (time.process_time() - start) / 3
        size = sum(path.stat().st_size for path in paths) / len(paths) / 1000
        yield f"| {width_px} × {width_px * 4 // 3} px | {size:.0f} | {each:.2f} |"


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        sys.stdout.write(f"{line}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()

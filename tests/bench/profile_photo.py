"""Where the time of one photo goes: processor seconds and share of every step, and the most memory.

    python -m tests.bench.profile_photo [PHOTO ...] [--rounds 3] [--threads 2] [--large]

Each photo goes the way of the real job: file → picture → references → fruit → millimetres → saved
in a farm. Steps are timed by themselves: a step that calls another one leaves that time to it.
Processor seconds are those of all threads, which a busy machine changes little; wall seconds are
told for the whole photo only. `--large` takes each photo at 12 megapixels, as a phone saves it.
Without a photo, photos of `samples/` are taken, so enlarged. The first photo is measured once
before all, so that loading the network counts apart.
"""

from __future__ import annotations

import argparse
import importlib
import resource
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

from fruitvision.cores import keep_to, threads_here
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.pipeline.photos import measure_photo
from fruitvision.settings import Settings
from fruitvision.share import shared_folder
from fruitvision.store import open_farm
from tests.bench.bench_capture import as_from_a_phone

# What is timed: words, and the function or method behind them, as the module that calls it sees it.
# A name that a version does not have is passed over, so that two versions can be held side by side.
STEPS = (
    ("file: bytes and hash", "fruitvision.photo", "_content"),
    ("decode", "fruitvision.photo", "_decode"),
    ("sharpness", "fruitvision.photo", "sharpness_of"),
    ("references, other", "fruitvision.pipeline.photos", "find_all_references"),
    ("marker: search", "fruitvision.reference", "search_markers"),
    ("marker: measured", "fruitvision.reference", "_measured"),
    ("marker: cut ones", "fruitvision.marker_search", "cut_markers"),
    ("balls", "fruitvision.pipeline.references", "find_balls"),
    ("scale", "fruitvision.pipeline.photos", "_scale"),
    ("leaves", "fruitvision.pipeline.photos", "foliage_share"),
    ("leaves", "fruitvision.fruit.learned", "foliage_share"),
    ("detector: other", "fruitvision.fruit.learned", "LearnedDetector.detect"),
    ("detector: picture to its size", "fruitvision.fruit.learned", "resampled"),
    ("detector: network", "fruitvision.fruit.session", "Network.cells"),
    ("detector: cells to fruit", "fruitvision.fruit.learned", "see"),
    ("detector: masks", "fruitvision.fruit.learned", "masks_of"),
    ("outlines: edges", "fruitvision.fruit.rim", "find_edges"),
    ("outlines: ellipses", "fruitvision.fruit.rim", "fit_rims"),
    ("millimetres", "fruitvision.pipeline.photos", "measure_fruit"),
)
SAVED, REST = "saved", "all else"


@dataclass
class Clock:
    """Processor seconds by step; the step that is under way is the last one of `open_steps`."""

    busy_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    open_steps: list[str] = field(default_factory=list)
    since: float = field(default_factory=time.process_time)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """What happens inside counts as this step, and no longer as the one around it."""
        self._turn()
        self.open_steps.append(name)
        try:
            yield
        finally:
            self._turn()
            self.open_steps.pop()

    def _turn(self) -> None:
        now = time.process_time()
        if self.open_steps:
            self.busy_s[self.open_steps[-1]] += now - self.since
        self.since = now


def put_clocks(clock: Clock) -> None:
    """Every function of STEPS runs under the clock from now on."""
    for words, module, path in STEPS:
        holder: Any = importlib.import_module(module)
        *above, name = path.split(".")
        for part in above:
            holder = getattr(holder, part, None)
        function = getattr(holder, name, None)
        if function is not None:
            setattr(holder, name, _timed(clock, words, function))


def _timed(clock: Clock, words: str, function: Callable[..., Any]) -> Callable[..., Any]:
    def under_clock(*given: Any, **named: Any) -> Any:
        with clock.step(words):
            return function(*given, **named)

    return under_clock


def profile(photos: Sequence[Path], rounds: int) -> str:
    """The table: each step's processor seconds a photo, median of rounds, and its share."""
    detector, settings = choose_detector(DEFAULT_DETECTOR), Settings()
    began = time.process_time()
    measure_photo(photos[0], detector=detector, settings=settings)
    first_s = time.process_time() - began
    clock = Clock()
    put_clocks(clock)
    walls, busy = [], []
    with TemporaryDirectory() as folder, open_farm(Path(folder) / "farm") as store:
        for _ in range(rounds):
            for photo in photos:
                wall, work = time.perf_counter(), time.process_time()
                with clock.step(REST):
                    measured = measure_photo(photo, detector=detector, settings=settings)
                    with clock.step(SAVED):
                        store.save_measured_photo(measured)
                walls.append(time.perf_counter() - wall)
                busy.append(time.process_time() - work)
    return table(clock.busy_s, walls, busy, first_s)


def table(
    busy_s: dict[str, float], walls: Sequence[float], busy: Sequence[float], first_s: float
) -> str:
    """The lines that are printed."""
    total, photos = sum(busy_s.values()), len(walls)
    lines = [f"{'step':32} {'processor s':>11} {'share':>6}"]
    names = [*dict.fromkeys(words for words, _, _ in STEPS), SAVED, REST]
    lines += [
        f"{name:32} {busy_s[name] / photos:11.3f} {busy_s[name] / total:6.1%}"
        for name in names
        if name in busy_s
    ]
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    lines += [
        f"{'a photo':32} {total / photos:11.3f}",
        f"median of all photos: {median(busy):.2f} s of processor time, "
        f"{median(walls):.2f} s wall; threads: {threads_here()}",
        f"the first photo, network loaded: {first_s:.2f} s of processor time",
        f"most memory: {peak_mb:.0f} MB",
    ]
    return "\n".join(lines)


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("photos", nargs="*", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--threads", type=int, default=threads_here())
    parser.add_argument("--large", action="store_true", help="each photo at 12 megapixels")
    given = parser.parse_args(argv)
    keep_to(given.threads)
    samples = sorted((shared_folder("samples") / "photos").glob("gala*.jpg"))[:4]
    with TemporaryDirectory() as folder:
        photos = given.photos or samples
        if given.large or not given.photos:
            photos = [as_from_a_phone(photo, Path(folder)) for photo in photos]
        sys.stdout.write(f"{profile(photos, given.rounds)}\n")


if __name__ == "__main__":
    main()

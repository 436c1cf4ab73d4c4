"""How long a phone's photo takes from the bytes on the farm's computer to the scout's answer.

    python -m tests.bench.bench_capture [PHOTO ...] [--number 6]

Photos of `samples/` are enlarged to 12 megapixels first. Each is kept, measured by the whole
measurement, checked and drawn small, as the walk page does it. Wall time, and processor time of
all threads, which a busy machine does not change much.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from PIL import Image

from fruitvision.domain import Block
from fruitvision.overlay import small_overlay
from fruitvision.photo import read_small
from fruitvision.pipeline.additions import NamedFile
from fruitvision.pipeline.walking import (
    Aim,
    WalkSize,
    capture_check,
    get_ready,
    measure_taken,
    measured_of,
    start_walk,
    stops_of_walk,
    take_photos,
)
from fruitvision.settings import Settings
from fruitvision.share import shared_folder
from fruitvision.store import FarmStore, open_farm

PHONE_PX = {True: (4000, 3000), False: (3000, 4000)}
SHOWN_PX = 1000
STEPS = ("keep", "measure", "check", "draw")
DAY = date(2026, 8, 12)


@dataclass
class Times:
    """Wall and processor seconds of each step, a value a photo."""

    wall_s: dict[str, list[float]] = field(default_factory=lambda: {step: [] for step in STEPS})
    busy_s: dict[str, list[float]] = field(default_factory=lambda: {step: [] for step in STEPS})

    @contextmanager
    def of(self, step: str) -> Iterator[None]:
        wall, busy = time.perf_counter(), time.process_time()
        yield
        self.wall_s[step].append(time.perf_counter() - wall)
        self.busy_s[step].append(time.process_time() - busy)

    def words(self) -> str:
        totals = np.sum([self.wall_s[step] for step in STEPS], axis=0)
        busy = np.sum([self.busy_s[step] for step in STEPS], axis=0)
        lines = [f"{'step':10} {'median':>8} {'longest':>8} {'processor':>10}, s"]
        for step in STEPS:
            wall, work = self.wall_s[step], self.busy_s[step]
            lines.append(
                f"{step:10} {np.median(wall):8.2f} {max(wall):8.2f} {np.median(work):10.2f}"
            )
        lines.append(
            f"{'all':10} {np.median(totals):8.2f} {max(totals):8.2f} {np.median(busy):10.2f}"
        )
        return "\n".join(lines)


def as_from_a_phone(photo: Path, folder: Path) -> Path:
    """The photo at 12 megapixels, JPEG quality 90, without a date."""
    with Image.open(photo) as opened:
        large = opened.convert("RGB").resize(PHONE_PX[opened.width > opened.height])
    path = folder / f"{photo.stem}.jpg"
    large.save(path, "JPEG", quality=90)
    return path


def time_photos(photos: list[Path], store: FarmStore) -> Times:
    """Each photo as face A of a tree of its own."""
    block = Block(block_id="Mill", variety="Gala", positions=100, tree_spacing_m=1.0)
    store.save_blocks([block])
    size = WalkSize(trees=len(photos), hand_counts=0)
    walk = start_walk(store, "Mill", size, on=DAY, who="", row_lengths=(100,))
    times, settings = Times(), Settings()
    for photo, stop in zip(photos, stops_of_walk(store, walk), strict=True):
        with times.of("keep"):
            aim = Aim(walk=walk, stop=stop, face="A")
            (taken,) = take_photos([NamedFile(name=photo.name, path=photo)], store, aim, on=DAY)
        assert taken.placed is not None
        photo_id = taken.placed.photo_id
        with times.of("measure"):
            measure_taken(store, {photo_id: photo.name}, settings)
        measured = measured_of(store, stops_of_walk(store, walk)[stop.number - 1], settings)[
            photo_id
        ]
        with times.of("check"):
            check = capture_check(store, measured, block)
        with times.of("draw"):
            small_overlay(read_small(store.photo_path(photo_id), SHOWN_PX), measured, SHOWN_PX)
        _say(f"{photo.name}: {measured.fruit_count} fruit, {check.fault or 'good'}")
    return times


def _say(words: str) -> None:
    sys.stdout.write(f"{words}\n")


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("photos", nargs="*", type=Path)
    parser.add_argument("--number", type=int, default=6)
    given = parser.parse_args(argv)
    known = given.photos or sorted((shared_folder("samples") / "photos").glob("gala*.jpg"))
    with TemporaryDirectory() as folder:
        photos = [as_from_a_phone(path, Path(folder)) for path in known[: given.number]]
        get_ready()
        with open_farm(Path(folder) / "farm") as store:
            _say(time_photos(photos, store).words())


if __name__ == "__main__":
    main()

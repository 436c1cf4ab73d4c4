"""Whether twice the work takes twice the time, and memory stays: measured slopes. Run by hand.

    python -m tests.bench.scaling [--series photos two-processes estimate forecast] [--rounds 2]

Photos: 10, 20, 40, 80 of 12 megapixels, the same ten again and again as other files. Blocks: farms
of 15, 30, 60, 120 blocks, 84 photos each: of every three blocks one has a register and of every ten
one has calipered fruit, so that a farm of ten is not the same work as half a farm of twenty. Each
size in a new process, sizes up and down in turns, so that a machine that gets slower is not taken
for a slope; processor seconds, since nothing else is the work itself. Right is twice the time
within 5 %, and the same memory within 5 %.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import numpy as np

from fruitvision.bench_speed.machine import keep_to_cores, machine_words
from tests.bench.speed.children import StepFault, make_farm, runs_of
from tests.bench.speed.place import PHONE_PX, Place, benchmark_photos, phone_photos

SIZES = {"photos": (10, 20, 40, 80), "blocks": (15, 30, 60, 120)}
# What was asked for.
TOLERANCE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """A step whose work is made larger: how, and in which units its size counts."""

    name: str
    step: str
    unit: str
    workers: int = 1


SERIES = (
    Series(name="photos", step="photos", unit="photos"),
    Series(name="two-processes", step="photos", unit="photos", workers=2),
    Series(name="rows", step="rows", unit="blocks"),
    Series(name="estimate", step="estimate", unit="blocks"),
    Series(name="estimate-again", step="estimate-again", unit="blocks"),
    Series(name="forecast", step="forecast", unit="blocks"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """So much work: median processor and wall seconds, memory of the largest process, MB."""

    number: int
    processor_s: float
    wall_s: float
    peak_mb: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """What each doubling costs, time and memory as ratios, and the power that time grows with.

    `each_mb` : memory that one more takes, from a straight line through the peaks.
    """

    times: tuple[float, ...]
    memories: tuple[float, ...]
    power: float
    each_mb: float

    @property
    def is_linear(self) -> bool:
        """Whether twice the work is twice the time, every time."""
        return all(abs(ratio / 2 - 1) <= TOLERANCE for ratio in self.times)

    @property
    def is_flat(self) -> bool:
        """Whether memory grows by no more than the tolerance with any doubling."""
        return all(ratio - 1 <= TOLERANCE for ratio in self.memories)


def slope_of(sizes: Sequence[Size]) -> Slope:
    """Ratios of neighbours, made those of a doubling, and the slope of log time on log size.

    Raises
    ------
    ValueError
        If there are fewer than two sizes.
    """
    if len(sizes) < 2:
        raise ValueError("One size alone has no slope.")
    numbers, seconds, memory = (
        np.log2([getattr(size, name) for size in sizes])
        for name in ("number", "processor_s", "peak_mb")
    )
    steps = np.diff(numbers)
    return Slope(
        times=tuple((2 ** (np.diff(seconds) / steps)).tolist()),
        memories=tuple((2 ** (np.diff(memory) / steps)).tolist()),
        power=float(np.polyfit(numbers, seconds, 1)[0]),
        each_mb=float(np.polyfit(2**numbers, 2**memory, 1)[0]),
    )


def up_and_down(sizes: Sequence[int], rounds: int) -> list[int]:
    """The sizes in the order that they are run: up, down, up ..."""
    return [size for turn in range(rounds) for size in (sizes if turn % 2 == 0 else sizes[::-1])]


def measure_series(
    series: Series, sizes: Sequence[int], rounds: int, place_of: Callable[[Series, int], Place]
) -> list[Size]:
    """Every size of a series.

    Raises
    ------
    StepFault
        If the step breaks.
    """
    found: dict[int, list[tuple[float, float, float]]] = {size: [] for size in sizes}
    for size in sizes:
        make_farm(series.step, place_of(series, size))
    for size in up_and_down(sizes, rounds):
        (used,) = runs_of(series.step, place_of(series, size), 1)
        found[size].append((used.processor_s, used.wall_s, used.peak_mb))
    return [
        Size(number=size, processor_s=busy, wall_s=wall, peak_mb=peak)
        for size, runs in found.items()
        for busy, wall, peak in [map(median, zip(*runs, strict=True))]
    ]


def series_lines(series: Series, sizes: Sequence[Size]) -> list[str]:
    """The series as a table, and what it comes to."""
    slope = slope_of(sizes)
    names = f"{'processor s':>11} {'each, ms':>9} {'doubled':>8} {'wall s':>7} {'peak MB':>8}"
    lines = [f"{series.name:<15} {names}"]
    for size, ratio in zip(sizes, (None, *slope.times), strict=True):
        doubled = "" if ratio is None else f"{ratio:.3f}"
        lines.append(
            f"{size.number:>6} {series.unit:<8} {size.processor_s:>11.2f} "
            f"{1000 * size.processor_s / size.number:>9.1f} {doubled:>8} "
            f"{size.wall_s:>7.1f} {size.peak_mb:>8.0f}"
        )
    growth = max(slope.memories) - 1
    time = "within" if slope.is_linear else "NOT within"
    memory = "flat" if slope.is_flat else "NOT flat"
    return [
        *lines,
        f"Time grows with the power {slope.power:.3f}: twice the work is {time} {TOLERANCE:.0%} of "
        f"twice the time. Memory is {memory}: {growth:+.1%} at most with a "
        f"doubling, {slope.each_mb:+.2f} MB for each one more.",
        "",
    ]


def main(argv: list[str] | None = None) -> int:
    """Print a table a series; 1 if one is neither straight nor flat, or broke."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    names = [series.name for series in SERIES]
    parser.add_argument("--series", nargs="+", choices=names, default=names)
    parser.add_argument("--sizes", type=int, nargs="+", help="instead of the usual ones")
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--photo-px", type=int, nargs=2, default=PHONE_PX)
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--json", type=Path)
    given = parser.parse_args(argv)
    asked = sorted(set(given.sizes or ()))
    if given.sizes and (len(asked) < 2 or asked[0] < 1):
        parser.error("two sizes or more, from 1 on")
    keep_to_cores(given.cores)
    _say([f"{machine_words()}; {given.rounds} rounds, medians"])
    done: dict[str, list[Size]] = {}
    held, broke = True, False
    with TemporaryDirectory(prefix="fruitvision-scaling-") as scratch:
        places = _Places(Path(scratch), asked or SIZES["photos"], photo_px=tuple(given.photo_px))
        for series in SERIES:
            if series.name not in given.series:
                continue
            try:
                sizes = asked or SIZES[series.unit]
                found = measure_series(series, sizes, given.rounds, places)
            except StepFault as err:
                _say([f"{series.name}: not measured, {err}"])
                broke = True
                continue
            done[series.name] = found
            slope = slope_of(found)
            held = held and slope.is_linear and slope.is_flat
            _say(series_lines(series, found))
    if given.json:
        rows = {name: [asdict(size) for size in found] for name, found in done.items()}
        document = {"machine": machine_words(), "rounds": given.rounds, "series": rows}
        given.json.write_text(json.dumps(document, indent=1), encoding="utf-8")
    return 1 if broke or not held else 0


class _Places:
    """Where a size of a series works: photos are made once for all sizes, farms once for each."""

    def __init__(self, folder: Path, sizes: Sequence[int], *, photo_px: tuple[int, int]) -> None:
        self._folder, self._sizes, self._photo_px = folder, sizes, photo_px
        self._photos: tuple[Path, ...] = ()

    def __call__(self, series: Series, size: int) -> Place:
        if series.unit == "photos":
            photos = self._all_photos()[:size]
            return Place(folder=self._folder, photos=photos, workers=series.workers)
        return Place(folder=self._folder, photos=(), blocks=size, pictures=False)

    def _all_photos(self) -> tuple[Path, ...]:
        """As many as the largest size, so that each size holds the smallest one's photos as often
        as it is larger."""
        if not self._photos:
            # Six kinds of block; the smallest size decides how many photos differ.
            different = benchmark_photos(min(6, self._sizes[0]))
            turns = [different[place % len(different)] for place in range(self._sizes[0])]
            folder = self._folder / "photos"
            self._photos = phone_photos(turns, folder, self._sizes[-1], size_px=self._photo_px)
        return self._photos


def _say(lines: Sequence[str]) -> None:
    sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())

"""Two commits against each other, step by step and pair by pair, in one run. Run by hand.

    python -m tests.bench.compare_commits BASE [HEAD] [--steps decode photo forecast] [--pairs 12]

Both programs stand ready in processes of their own and take turns (BASE HEAD, HEAD BASE, ...), so
that a machine which is busy now and then is as busy for both: only ratios are told, HEAD over
BASE. The steps are those of this checkout. A name that is a folder, such as `.`, stands for the
program that lies there. Commits are taken out of the repository into a temporary folder, which
leaves nothing behind in it, unlike a worktree after a kill.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tarfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from scipy.stats import quantile_test

from fruitvision.bench_speed.machine import keep_to_cores, machine_words
from tests.bench.speed.children import StepFault, child_of, make_farm
from tests.bench.speed.place import PHONE_PX, ROOT, Place, benchmark_photos, phone_photos
from tests.bench.speed.steps import NAMES
from tests.bench.speed.used import Used

USUAL = ("help", "measure", "decode", "marker", "detect", "outlines", "save", "photo", "estimate")
# With fewer pairs there is no 95 % interval of a median: 2 · 0.5⁵ is above 5 %.
LEAST_PAIRS = 6
CONFIDENCE = 0.95
# What processor time can't tell, s.
CLOCK_S = 1e-6
SIDES = ("BASE", "HEAD")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """Median of HEAD over BASE, and its 95 % interval."""

    median: float
    low: float
    high: float

    @property
    def verdict(self) -> str:
        """Whether the interval lies on one side of 1."""
        if self.high < 1:
            return "faster"
        return "slower" if self.low > 1 else "no difference shown"

    def __str__(self) -> str:
        return f"{self.median:.3f} ({self.low:.3f} to {self.high:.3f})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """A step of both commits: ratios of processor and wall seconds, peak memory of each, MB."""

    step: str
    pairs: int
    processor: Ratio
    wall: Ratio
    base_mb: float
    head_mb: float


def ratio_of(base: Sequence[float], head: Sequence[float]) -> Ratio:
    """Median of the pairs' ratios, with the interval that the sign test gives.

    The binomial interval of a median (scipy's `quantile_test`) holds whatever the ratios'
    distribution is: a busy machine gives now and then a pair that is far off.

    Raises
    ------
    ValueError
        If there are too few pairs for an interval.
    """
    if len(base) < LEAST_PAIRS:
        raise ValueError(f"{len(base)} pairs have no interval: {LEAST_PAIRS} do.")
    ratios = np.maximum(head, CLOCK_S) / np.maximum(base, CLOCK_S)
    interval = quantile_test(ratios, p=0.5).confidence_interval(CONFIDENCE)
    return Ratio(
        median=float(np.median(ratios)), low=float(interval.low), high=float(interval.high)
    )


def take_turns(
    pairs: int, base: Callable[[], Used], head: Callable[[], Used]
) -> tuple[list[Used], list[Used]]:
    """So many runs of each: base head, head base, base head ..."""
    found: tuple[list[Used], list[Used]] = ([], [])
    sides = (base, head)
    for pair in range(pairs):
        for side in (0, 1) if pair % 2 == 0 else (1, 0):
            found[side].append(sides[side]())
    return found


def compare_step(name: str, base: Place, head: Place, pairs: int) -> Compared:
    """One step of both.

    Raises
    ------
    StepFault
        If one of them can't do it; it is named.
    """
    for place in (base, head):
        make_farm(name, place)
    with child_of(name, base) as of_base, child_of(name, head) as of_head:
        runs = (_named(SIDES[0], of_base.run_once), _named(SIDES[1], of_head.run_once))
        before, after = take_turns(pairs, *runs)
    return Compared(
        step=name,
        pairs=pairs,
        processor=ratio_of([one.processor_s for one in before], [one.processor_s for one in after]),
        wall=ratio_of([one.wall_s for one in before], [one.wall_s for one in after]),
        base_mb=before[-1].peak_mb,
        head_mb=after[-1].peak_mb,
    )


def _named(side: str, run: Callable[[], Used]) -> Callable[[], Used]:
    """A fault says whose it is."""

    def run_once() -> Used:
        try:
            return run()
        except StepFault as err:
            raise StepFault(f"{side}: {err}") from err

    return run_once


def program_of(name: str, repository: Path, folder: Path) -> Path:
    """The folder of a program: the one that is named, or a commit's files taken out.

    Raises
    ------
    SystemExit
        If it is neither a folder nor a commit.
    """
    if Path(name).is_dir():
        return Path(name).resolve()
    # Not the benchmark photos, which are large: both commits are timed on those of this checkout.
    done = subprocess.run(  # noqa: S603
        ["git", "archive", name, "--", ".", ":(exclude)tests"],  # noqa: S607
        cwd=repository,
        check=False,
        capture_output=True,
    )
    if done.returncode:
        raise SystemExit(f"{name} is no commit and no folder: {done.stderr.decode().strip()}")
    with tarfile.open(fileobj=BytesIO(done.stdout)) as packed:
        packed.extractall(folder, filter="data")
    return folder


def table_lines(rows: Sequence[Compared]) -> list[str]:
    """HEAD over BASE, a line a step."""
    heading = f"{'step':<15} {'pairs':>5}  {'processor time':<24} {'wall time':<24} {'peak MB':<11}"
    return [heading] + [
        f"{row.step:<15} {row.pairs:>5}  {row.processor!s:<24} {row.wall!s:<24} "
        f"{f'{row.base_mb:.0f}, {row.head_mb:.0f}':<11} {row.processor.verdict}"
        for row in rows
    ]


def main(argv: list[str] | None = None) -> int:
    """Print the table; 1 if a step could not be compared."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("base")
    parser.add_argument("head", nargs="?", default="HEAD")
    parser.add_argument("--steps", nargs="+", choices=NAMES, default=USUAL)
    parser.add_argument("--pairs", type=int, default=12)
    parser.add_argument("--photos", type=int, default=6, help="kinds of block, a photo of each")
    parser.add_argument("--photo-px", type=int, nargs=2, default=PHONE_PX)
    parser.add_argument("--blocks", type=int, default=10, help="of the farm that is estimated")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--repository", type=Path, default=ROOT)
    parser.add_argument("--json", type=Path)
    given = parser.parse_args(argv)
    if given.pairs < LEAST_PAIRS:
        parser.error(f"with fewer than {LEAST_PAIRS} pairs there is no interval")
    keep_to_cores(given.cores)
    rows, faults = [], []
    with TemporaryDirectory(prefix="fruitvision-compare-") as scratch:
        folder = Path(scratch)
        photos = phone_photos(
            benchmark_photos(given.photos),
            folder / "photos",
            given.photos,
            size_px=tuple(given.photo_px),
        )
        places = [
            _place(name, given.repository, folder / side, photos, given.blocks)
            for side, name in zip(SIDES, (given.base, given.head), strict=True)
        ]
        _say([f"{machine_words()}; {given.head} over {given.base}; 95 % intervals"])
        for name in given.steps:
            try:
                rows.append(compare_step(name, *places, given.pairs))
                _say(table_lines(rows)[-1:] if len(rows) > 1 else table_lines(rows))
            except StepFault as err:
                faults.append(f"{name}: not compared, {err}")
                _say(faults[-1:])
    if given.json:
        found = {"base": given.base, "head": given.head, "machine": machine_words()}
        document = {**found, "steps": [asdict(row) for row in rows], "faults": faults}
        given.json.write_text(json.dumps(document, indent=1), encoding="utf-8")
    return 1 if faults else 0


def _place(
    name: str, repository: Path, folder: Path, photos: tuple[Path, ...], blocks: int
) -> Place:
    work = folder / "work"
    work.mkdir(parents=True)
    source = program_of(name, repository, folder / "program")
    return Place(folder=work, photos=photos, source=source, blocks=blocks)


def _say(lines: Sequence[str]) -> None:
    sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())

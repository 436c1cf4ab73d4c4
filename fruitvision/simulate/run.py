"""What the simulate commands do, in words on whatever screen: no library but the renderer's."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fruitvision.errors import SimulationError, did_you_mean
from fruitvision.simulate import defaults
from fruitvision.simulate.album import Album, fill_albums, write_tables
from fruitvision.simulate.training_set import (
    WHOLE,
    Groups,
    Part,
    gather_truth,
    training_albums,
)

Say = Callable[[str], None]

VARIANTS = ("cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb")
# Our choice: each process holds a whole scene.
MOST_WORKERS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """What renders: Mitsuba's variant, how many processes side by side, and for how long.

    `minutes` : after them no photo is begun; None: until all are there.
    """

    variant: str = defaults.VARIANT
    workers: int = 1
    minutes: float | None = None

    def __post_init__(self) -> None:
        if self.variant not in VARIANTS:
            raise SimulationError(
                f"There is no variant '{self.variant}'.", fix=did_you_mean(self.variant, VARIANTS)
            )
        if not 1 <= self.workers <= MOST_WORKERS:
            raise SimulationError(
                f"--workers is {self.workers}.",
                fix=f"Give a whole number from 1 to {MOST_WORKERS}.",
            )
        if self.minutes is not None and not self.minutes >= 0.0:
            raise SimulationError(
                f"--minutes is {self.minutes:g}.", fix="Give 0 or more; 0 only gathers the truth."
            )


def make_tables(albums: Sequence[Album], say: Say) -> int:
    """Write tables without photos."""
    for album in albums:
        for block in write_tables(album):
            say(
                f"{album.folder}: {block.plan.block_id}, {block.plan.variety}, "
                f"{len(block.places)} bearing trees, {len(block.tree)} fruit, "
                f"{len(block.photographed)} trees to photograph."
            )
    return 0


def make_albums(albums: Sequence[Album], machine: Machine, say: Say) -> int:
    """Fill folders with photos and truth; 1 if a photo failed."""
    filled = fill_albums(
        albums,
        variant=machine.variant,
        workers=machine.workers,
        minutes=machine.minutes,
        on_progress=lambda progress: say(progress.words()),
    )
    say(
        f"{filled.there} of {filled.photos} photos are there, "
        f"{filled.made} of them made now in {filled.seconds:.0f} s."
    )
    for name in filled.failed:
        say(f"  not made: {name}")
    if filled.failed:
        say("The same command tries these again.")
    return 1 if filled.failed else 0


def make_training_set(out: Path, groups: Groups, part: Part, machine: Machine, say: Say) -> int:
    """Fill the folders of the training set; 1 if a photo failed.

    Truth of all groups together lies in `out`, unless this is but a part of the work.
    """
    status = make_albums(training_albums(out, groups, part), machine, say)
    if part == WHOLE:
        count = gather_truth(training_albums(out, groups), out)
        say(f"{out}: the truth of {count} photo{'' if count == 1 else 's'}.")
    return status

"""What to do next in a block: how wide its range is, what would narrow it, for how much work.

The range is that of the crop in tonnes on the day of the walk: fruit per tree, and the mean
diameter with three times its relative error, since mass goes with its cube. Errors that no walk
can shrink (season, culls, the mass rule) are not in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from fruitvision.domain import BlockEstimate, Doubt
from fruitvision.sample_errors import (
    FRUIT_PER_CALIPERED_TREE,
    SampleErrors,
    errors_of,
    with_calipers,
    with_counts,
    with_trees,
)
from fruitvision.settings import Settings

# The smallest step that is offered, and the largest. Our choice: half an hour to half a day.
LEAST_TREES, MOST_TREES = 5, 60
LEAST_COUNTS, MOST_COUNTS = 3, 20
LEAST_CALIPERED, MOST_CALIPERED = 5, 20
# Half-width of a P10-P90 range at which a block is known well enough. Common practice: ±10 %.
WANTED_HALF_RANGE = 0.10
# Minutes of each work where a farm does not say.
USUAL = Settings()


class Work(StrEnum):
    """A kind of work that narrows a block's range."""

    PHOTOGRAPH = "photograph"
    COUNT = "count"
    CALIPER = "caliper"


class Lack(StrEnum):
    """What must be put right before any number of trees helps."""

    HAND_COUNTS = "hand counts"
    SIZES = "sizes"
    REGISTER = "register"

    @property
    def words(self) -> str:
        """What to do, in a sentence or two."""
        return _LACKS[self]


_LACKS = {
    Lack.HAND_COUNTS: "count every fruit on 5 of the photographed trees by hand. Without hand "
    "counts hidden fruit are not in, and no cartons can be forecast.",
    Lack.SIZES: "photograph again with the marker in view: no fruit could be sized.",
    Lack.REGISTER: "put the tree register right: the walk found other gaps than it says, and the "
    "number of trees is now the widest doubt.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One kind of work: how much of it, the minutes it takes, and the half-range that it leaves."""

    work: Work
    words: str
    more: int
    minutes: float
    half_range: float
    gain_per_minute: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Half-width of a block's P10-P90 range now, relative, and steps, the best for its work first.

    `lack` is what must be put right before any number of trees helps; None if nothing is missing.
    """

    block_id: str
    half_range: float
    wanted: float
    steps: tuple[Step, ...]
    lack: Lack | None = None

    @property
    def first(self) -> str:
        """What must be done first, in words; empty if nothing is missing."""
        return self.lack.words if self.lack else ""

    @property
    def enough(self) -> bool:
        """Whether the range is as narrow as wanted and nothing is missing."""
        return not self.first and self.half_range <= self.wanted

    @property
    def words(self) -> str:
        """One or two sentences for the scout."""
        if self.first:
            return f"{self.block_id}: {self.first}"
        if self.enough:
            return f"{self.block_id}: enough, the crop is known to ±{100 * self.half_range:.0f} %."
        if not self.steps:
            return f"{self.block_id}: ±{100 * self.half_range:.0f} %, and more trees bring little."
        best = self.steps[0]
        return (
            f"{self.block_id}: {best.words}. The range of the crop would narrow from "
            f"±{100 * self.half_range:.0f} % to about ±{100 * best.half_range:.0f} %."
        )


def advise(
    estimate: BlockEstimate, *, wanted: float = WANTED_HALF_RANGE, settings: Settings = USUAL
) -> Advice:
    """How wide the block's range is, and which work would narrow it to `wanted`, best first.

    `settings` : how many minutes each work takes.

    Raises
    ------
    ValueError
        If `wanted` is not above 0.
    """
    if wanted <= 0:
        raise ValueError(f"wanted must be above 0, got {wanted}")
    errors = errors_of(estimate)
    now = errors.half_range()
    what = "panels" if estimate.trees_per_place > 1 else "trees"
    steps: list[Step] = []
    if now > wanted:
        found = [
            _more_trees(errors, now, wanted, what, settings),
            _more_counts(errors, now, wanted, what, settings),
            _more_calipers(estimate, errors, now, wanted, settings),
        ]
        steps = [step for step in found if step is not None and step.gain_per_minute > 0]
        steps.sort(key=lambda step: step.gain_per_minute, reverse=True)
    return Advice(
        block_id=estimate.block.block_id,
        half_range=now,
        wanted=wanted,
        steps=tuple(steps),
        lack=_lack(estimate),
    )


def minutes_of(settings: Settings) -> tuple[float, float, float]:
    """The settings that an advice depends on: minutes of a photographed tree, a hand count and a
    calipered tree."""
    return settings.photo_tree_min, settings.hand_count_min, settings.caliper_tree_min


def next_action(estimates: Sequence[BlockEstimate], *, wanted: float = WANTED_HALF_RANGE) -> str:
    """One or two sentences: what is missing first, else the most gain per minute of all blocks."""
    advices = [advise(estimate, wanted=wanted) for estimate in estimates]
    missing = [advice for advice in advices if advice.first]
    if missing:
        return missing[0].words
    open_ones = [advice for advice in advices if advice.steps]
    if open_ones:
        return max(open_ones, key=lambda advice: advice.steps[0].gain_per_minute).words
    unchecked = [item for item in estimates if Doubt.NO_CALIPERS in item.doubts]
    if unchecked:
        return (
            f"{unchecked[0].block.block_id}: caliper {FRUIT_PER_CALIPERED_TREE} fruit on each of "
            f"{LEAST_CALIPERED} trees: the photo millimetres are unchecked."
        )
    return f"Nothing to do: every block's crop is known to about ±{100 * wanted:.0f} %."


def _lack(estimate: BlockEstimate) -> Lack | None:
    if estimate.factor is None:
        return Lack.HAND_COUNTS
    if estimate.sizes is None:
        return Lack.SIZES
    return Lack.REGISTER if Doubt.REGISTER_DIFFERS in estimate.doubts else None


def _more_trees(
    errors: SampleErrors, now: float, wanted: float, what: str, settings: Settings
) -> Step | None:
    room = int(errors.population) - errors.trees
    return _smallest(
        lambda more: with_trees(errors, more).half_range(),
        (LEAST_TREES, min(MOST_TREES, room)),
        work=Work.PHOTOGRAPH,
        now=now,
        wanted=wanted,
        minutes=settings.photo_tree_min,
        words=f"photograph {{}} more {what}, from the same faces as before",
    )


def _more_counts(
    errors: SampleErrors, now: float, wanted: float, what: str, settings: Settings
) -> Step | None:
    room = errors.trees - errors.counted
    return _smallest(
        lambda more: with_counts(errors, more).half_range(),
        (min(LEAST_COUNTS, room), min(MOST_COUNTS, room)),
        work=Work.COUNT,
        now=now,
        wanted=wanted,
        minutes=settings.hand_count_min,
        words=f"count the fruit on {{}} more of the photographed {what} by hand",
    )


def _more_calipers(
    estimate: BlockEstimate, errors: SampleErrors, now: float, wanted: float, settings: Settings
) -> Step | None:
    if estimate.sizes is None:
        return None
    return _smallest(
        lambda more: with_calipers(estimate, errors, more).half_range(),
        (LEAST_CALIPERED, MOST_CALIPERED),
        work=Work.CALIPER,
        now=now,
        wanted=wanted,
        minutes=settings.caliper_tree_min,
        words=f"caliper {FRUIT_PER_CALIPERED_TREE} fruit on each of {{}} trees",
    )


def _smallest(
    half_range: Callable[[int], float],
    between: tuple[int, int],
    *,
    work: Work,
    now: float,
    wanted: float,
    minutes: float,
    words: str,
) -> Step | None:
    """The smallest amount of one work that reaches `wanted`; else the most that is offered."""
    low, high = between
    if high < max(low, 1):
        return None
    amounts = np.arange(max(low, 1), high + 1)
    more = next((int(n) for n in amounts if half_range(int(n)) <= wanted), None)
    if more is None:
        # It alone does not reach: the amount with half of the gain that the most would bring.
        # Fewer degrees of freedom in the rest may even widen the range: then it brings nothing.
        most = half_range(high)
        if most >= now:
            return None
        more = next((int(n) for n in amounts if half_range(int(n)) <= (now + most) / 2), high)
    then = half_range(more)
    return Step(
        work=work,
        words=words.format(more),
        more=more,
        minutes=more * minutes,
        half_range=then,
        gain_per_minute=(now - then) / (more * minutes),
    )

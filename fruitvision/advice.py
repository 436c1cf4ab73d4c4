"""What to do next in a block: how wide its range is, what would narrow it, for how much work.

The range is that of the crop in tonnes on the day of the walk: fruit per tree, and the mean
diameter with three times its relative error, since mass goes with its cube. Errors that no walk
can shrink (season, culls, the mass rule) are not in it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy.special import ndtri, stdtrit

from fruitvision.domain import BlockEstimate, Doubt

# Minutes of work. Common practice: two photos and the way to the next tree take 2 minutes, a hand
# count by two people 12; from memory: ten fruit of a tree are calipered in 5.
MINUTES_PER_PHOTO_TREE = 2.0
MINUTES_PER_HAND_COUNT = 12.0
MINUTES_PER_CALIPERED_TREE = 5.0
# Fruit to caliper on a tree. Common practice.
FRUIT_PER_CALIPERED_TREE = 10
# The smallest step that is offered, and the largest. Our choice: half an hour to half a day.
LEAST_TREES, MOST_TREES = 5, 60
LEAST_COUNTS, MOST_COUNTS = 3, 20
LEAST_CALIPERED, MOST_CALIPERED = 5, 20
# Half-width of a P10-P90 range at which a block is known well enough. Common practice: ±10 %.
WANTED_HALF_RANGE = 0.10
# Tree means of the diameter stray by about 3 % from the block's. Our choice, as in block.py.
TREE_SPREAD_OF_DIAMETER = 0.03
# Mass goes with the third power of the diameter.
POWER = 3.0


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Errors:
    """Relative errors of a block's crop, and the sample sizes that they hang on.

    `size_freedom` : degrees of freedom of `size_sampling`, which is that of the calipered trees
    where there are some (`by_calipers`): more photographed trees do not shrink it. `trees`,
    `counted` and `population` are panels where panels were photographed.
    """

    sampling: float
    calibration: float
    size_sampling: float
    size_shared: float
    size_freedom: float
    by_calipers: bool
    trees: int
    counted: int
    population: float

    def half_range(self) -> float:
        """Half-width of P10-P90, relative, with Student's t by Satterthwaite's degrees."""
        parts = (
            (self.sampling, self.trees - 1),
            (self.calibration, self.counted - 1),
            (POWER * self.size_sampling, self.size_freedom),
        )
        own = sum(error**2 for error, _ in parts)
        spread = sum(error**4 / max(freedom, 1) for error, freedom in parts)
        freedom = max(1.0, own**2 / spread) if spread > 0 else 1.0
        t, z = float(stdtrit(freedom, 0.9)), float(ndtri(0.9))
        return math.hypot(t * own**0.5, z * POWER * self.size_shared)


def advise(estimate: BlockEstimate, *, wanted: float = WANTED_HALF_RANGE) -> Advice:
    """How wide the block's range is, and which work would narrow it to `wanted`, best first.

    Raises
    ------
    ValueError
        If `wanted` is not above 0.
    """
    if wanted <= 0:
        raise ValueError(f"wanted must be above 0, got {wanted}")
    errors = _errors_of(estimate)
    now = errors.half_range()
    what = "panels" if estimate.trees_per_place > 1 else "trees"
    steps: list[Step] = []
    if now > wanted:
        found = [
            _more_trees(errors, now, wanted, what),
            _more_counts(errors, now, wanted, what),
            _more_calipers(estimate, errors, now, wanted),
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


def _errors_of(estimate: BlockEstimate) -> _Errors:
    mean = max(estimate.fruit_per_tree_mean, 1e-9)
    sampling = estimate.sampling_error / mean
    calibration = max(0.0, (estimate.fruit_per_tree_error / mean) ** 2 - sampling**2) ** 0.5
    sizes = estimate.sizes
    population = estimate.bearing_trees or float(estimate.block.bearing_trees)
    population /= estimate.trees_per_place
    return _Errors(
        sampling=sampling,
        calibration=calibration,
        size_sampling=sizes.mean_error_mm / sizes.mean_mm if sizes else 0.0,
        size_shared=sizes.shared_error if sizes else 0.0,
        size_freedom=sizes.freedom if sizes else 1.0,
        by_calipers=sizes is not None and Doubt.NO_CALIPERS not in sizes.doubts,
        trees=estimate.trees,
        counted=estimate.factor.trees if estimate.factor else 0,
        population=max(population, float(estimate.trees)),
    )


def _with_trees(errors: _Errors, more: int) -> _Errors:
    """More photographed trees: the finite block is in, hand counts stay as they are."""
    have, then = errors.trees, errors.trees + more
    now_part = 1 / have - 1 / errors.population
    then_part = max(0.0, 1 / then - 1 / errors.population)
    return replace(
        errors,
        sampling=errors.sampling * (then_part / now_part if now_part > 0 else 0.0) ** 0.5,
        size_sampling=errors.size_sampling * (1.0 if errors.by_calipers else (have / then) ** 0.5),
        size_freedom=errors.size_freedom + (0 if errors.by_calipers else more),
        trees=then,
    )


def _with_counts(errors: _Errors, more: int) -> _Errors:
    """More hand counts on photographed trees: the two-phase part 1/m - 1/n shrinks."""
    counted = max(errors.counted, 1)
    now_part = 1 / counted - 1 / max(errors.trees, counted + 1)
    then_part = max(0.0, 1 / (counted + more) - 1 / max(errors.trees, counted + more))
    return replace(
        errors,
        calibration=errors.calibration * (then_part / now_part if now_part > 0 else 0.0) ** 0.5,
        counted=counted + more,
    )


def _with_calipers(estimate: BlockEstimate, errors: _Errors, more: int) -> _Errors:
    """Ten fruit on so many trees check the photo millimetres: both weighted by their variance."""
    sizes = estimate.sizes
    if sizes is None:
        return errors
    within = (sizes.sd_mm / sizes.mean_mm) ** 2 / FRUIT_PER_CALIPERED_TREE
    by_hand = (TREE_SPREAD_OF_DIAMETER**2 + within) / more
    weight = 1 - by_hand / (by_hand + errors.size_sampling**2 + errors.size_shared**2)
    return replace(
        errors,
        size_sampling=math.hypot((1 - weight) * errors.size_sampling, weight * by_hand**0.5),
        size_shared=(1 - weight) * errors.size_shared,
        size_freedom=more - 1 + (errors.size_freedom if errors.by_calipers else 0.0),
    )


def _more_trees(errors: _Errors, now: float, wanted: float, what: str) -> Step | None:
    room = int(errors.population) - errors.trees
    return _smallest(
        lambda more: _with_trees(errors, more).half_range(),
        (LEAST_TREES, min(MOST_TREES, room)),
        work=Work.PHOTOGRAPH,
        now=now,
        wanted=wanted,
        minutes=MINUTES_PER_PHOTO_TREE,
        words=f"photograph {{}} more {what}, from the same faces as before",
    )


def _more_counts(errors: _Errors, now: float, wanted: float, what: str) -> Step | None:
    room = errors.trees - errors.counted
    return _smallest(
        lambda more: _with_counts(errors, more).half_range(),
        (min(LEAST_COUNTS, room), min(MOST_COUNTS, room)),
        work=Work.COUNT,
        now=now,
        wanted=wanted,
        minutes=MINUTES_PER_HAND_COUNT,
        words=f"count the fruit on {{}} more of the photographed {what} by hand",
    )


def _more_calipers(
    estimate: BlockEstimate, errors: _Errors, now: float, wanted: float
) -> Step | None:
    if estimate.sizes is None:
        return None
    return _smallest(
        lambda more: _with_calipers(estimate, errors, more).half_range(),
        (LEAST_CALIPERED, MOST_CALIPERED),
        work=Work.CALIPER,
        now=now,
        wanted=wanted,
        minutes=MINUTES_PER_CALIPERED_TREE,
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

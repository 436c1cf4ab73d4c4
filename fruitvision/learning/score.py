"""How forecasts went: did the ranges hold the truth, and which layer erred.

Seasons that somebody left out (hail, frost) are not in the score; how many is told beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

import numpy as np
from scipy.stats import binomtest

from fruitvision.domain import BridgeStep, Estimate, Stage
from fruitvision.learning.layers import Comparison
from fruitvision.learning.seasons import last_looks

# Chance with which the share told by `Coverage` lies in its range.
CERTAINTY = 0.9
# What P10 to P90 must hold.
NOMINAL = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How often the truth fell into P10–P90: `inside` of `of`.

    `low`, `high` : the share that this speaks for, 9 times in 10 (Wilson's interval; Wilson,
    Journal of the American Statistical Association 22, 1927). Blocks of one season err together, so
    that the truth is less sure still.
    """

    inside: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Part of the forecasts."""
        return self.inside / self.of

    @property
    def fits(self) -> bool:
        """Whether 80 % is within what chance allows."""
        return self.low <= NOMINAL <= self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class StageScore:
    """Forecasts of one stage: coverage, and mean and usual (root mean square) errors.

    Errors are forecast against actual: `count` a share of the actual number, `size_mm` of the same
    day, `packed` the share of the fruit that is packed.
    """

    stage: Stage
    coverage: Coverage | None
    forecasts: int
    count: tuple[float, float] | None
    size_mm: tuple[float, float] | None
    packed: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class VarietyScore:
    """The last forecasts of a variety's blocks in one season, against what came in.

    Attributes
    ----------
    days_before : int
        Before the pick, mean of the blocks.
    count : float or None
        Forecast over actual number of fruit, less 1.
    size_mm : float or None
        Forecast less actual mean diameter, of the same day, by fruit.
    packed : float or None
        Actual less assumed share of the fruit that is packed.
    late_days, late_mm : float
        How much later the picks came, and what the fruit gained by it.
    steps : tuple of BridgeStep
        Cartons by layer, actual less forecast, of all blocks.
    hand_counts, trees : int
        What the number rested on.
    """

    variety: str
    season: int
    blocks: tuple[str, ...]
    days_before: int
    count: float | None
    size_mm: float | None
    packed: float | None
    late_days: float
    late_mm: float
    steps: tuple[BridgeStep, ...]
    hand_counts: int
    trees: int

    @property
    def main_cause(self) -> str:
        """The layer that moved most cartons; empty where cartons are not known."""
        largest = max(self.steps, key=lambda step: abs(step.cartons), default=None)
        return "" if largest is None else largest.cause


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How all forecasts went.

    `coverage` is that of the last forecast before the pick of every block and season; `left_out`
    counts those of seasons that were left out.
    """

    coverage: Coverage | None
    by_season: tuple[tuple[int, Coverage], ...]
    by_stage: tuple[StageScore, ...]
    varieties: tuple[VarietyScore, ...]
    last: tuple[Comparison, ...]
    left_out: int


def score(found: Sequence[Comparison]) -> Score:
    """The score of all comparisons."""
    used = [one for one in found if not one.left_out]
    last = last_looks(used)
    seasons = sorted({one.season for one in last}, reverse=True)
    of_season = ((year, coverage([o for o in last if o.season == year])) for year in seasons)
    stages = [stage for stage in Stage if any(one.stage is stage for one in used)]
    return Score(
        coverage=coverage(last),
        by_season=tuple((year, one) for year, one in of_season if one is not None),
        by_stage=tuple(_stage(stage, used) for stage in stages),
        varieties=_varieties(last),
        last=tuple(sorted(last, key=lambda one: (-one.season, one.variety, one.block_id))),
        left_out=len(last_looks(found)) - len(last),
    )


# ---------------------------------------------------------------- coverage


def truth_of(one: Comparison) -> tuple[Estimate, float] | None:
    """What a forecast is judged by: its cartons, its fruit where the cartons are not known."""
    if one.cartons is not None and one.actual_cartons is not None:
        return one.cartons, one.actual_cartons
    if one.actual_fruit is not None:
        return one.fruit, one.actual_fruit
    return None


def is_inside(one: Comparison) -> bool | None:
    """Whether the truth fell into P10–P90; None where it is not known."""
    pair = truth_of(one)
    return None if pair is None else pair[0].p10 <= pair[1] <= pair[0].p90


def coverage(found: Sequence[Comparison]) -> Coverage | None:
    """How often the truth fell into the range; None where no truth is known."""
    known = [inside for one in found if (inside := is_inside(one)) is not None]
    if not known:
        return None
    interval = binomtest(sum(known), len(known)).proportion_ci(CERTAINTY, method="wilson")
    return Coverage(
        inside=sum(known), of=len(known), low=float(interval.low), high=float(interval.high)
    )


# ---------------------------------------------------------------- errors


def _stage(stage: Stage, used: Sequence[Comparison]) -> StageScore:
    found = [one for one in used if one.stage is stage]
    return StageScore(
        stage=stage,
        coverage=coverage(found),
        forecasts=len(found),
        count=_mean_and_usual([c for one in found if (c := _count_error(one)) is not None]),
        size_mm=_mean_and_usual([-one.size_mm.value for one in found if one.size_mm is not None]),
        packed=_mean_and_usual([one.cull.value for one in found if one.cull is not None]),
    )


def _count_error(one: Comparison) -> float | None:
    """Forecast over actual, less 1."""
    return None if one.count is None else exp(-one.count.value) - 1


def _mean_and_usual(errors: Sequence[float]) -> tuple[float, float] | None:
    if not errors:
        return None
    return float(np.mean(errors)), float(np.mean(np.square(errors)) ** 0.5)


def _varieties(last: Sequence[Comparison]) -> tuple[VarietyScore, ...]:
    """The latest season first."""
    groups: dict[tuple[int, str], list[Comparison]] = {}
    for one in last:
        groups.setdefault((-one.season, one.variety), []).append(one)
    return tuple(_variety(groups[key]) for key in sorted(groups))


def _variety(found: Sequence[Comparison]) -> VarietyScore:
    steps: dict[str, float] = {}
    for one in found:
        for step in one.steps:
            steps[step.cause] = steps.get(step.cause, 0.0) + step.cartons
    counted = [one for one in found if one.count is not None and one.actual_fruit]
    actual = sum(one.actual_fruit or 0.0 for one in counted)
    forecast = sum((one.actual_fruit or 0.0) * (1 + (_count_error(one) or 0.0)) for one in counted)
    return VarietyScore(
        variety=found[0].variety,
        season=found[0].season,
        blocks=tuple(one.block_id for one in found),
        days_before=round(float(np.mean([one.days_before for one in found]))),
        count=forecast / actual - 1 if actual else None,
        size_mm=_by_fruit([(one, -one.size_mm.value) for one in found if one.size_mm]),
        packed=_by_fruit([(one, -one.cull.value) for one in found if one.cull]),
        late_days=_by_fruit([(one, float(one.days_late)) for one in found]) or 0.0,
        late_mm=_by_fruit([(one, one.late_mm) for one in found]) or 0.0,
        steps=tuple(BridgeStep(cause=cause, cartons=sum_) for cause, sum_ in steps.items()),
        hand_counts=sum(one.hand_counts for one in found),
        trees=sum(one.trees for one in found),
    )


def _by_fruit(values: Sequence[tuple[Comparison, float]]) -> float | None:
    """Mean by the actual fruit of each block, by that forecast where it is not known."""
    if not values:
        return None
    weights = [one.actual_fruit or one.fruit.p50 for one, _ in values]
    total = sum(weights)
    if total <= 0:
        return float(np.mean([value for _, value in values]))
    return sum(w * value for w, (_, value) in zip(weights, values, strict=True)) / total

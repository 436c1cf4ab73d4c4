"""Trees that were both photographed and counted by hand, and what such pairs say by themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from fruitvision.domain import Doubt, Doubts, HandCount, TreeCount
from fruitvision.survey import Ratio, ratio_of_sums

Array = NDArray[np.float64]

# Below this many hand-counted trees the hidden-fruit factor is called weak. Common practice.
FEW_HAND_COUNTS = 5
# Spread of hand to visible count between trees where too few were counted to tell it. Common
# practice for phone photos.
ASSUMED_FACTOR_SPREAD = 0.25
# Days between the hand count and the photo of a tree. Our choice: a fortnight of drop is little.
HAND_COUNT_DAYS = 14
# A pair is suspect if one as far off would turn up in fewer than 1 of 20 sets of pairs by chance.
# Common practice (Bonferroni).
SUSPECT_CHANCE = 0.05
# From this many pairs on a curve may be tried. Common practice.
PAIRS_FOR_A_LINE = 15
# It must predict a tree that it has not seen better by this share. Our choice, so that a toss-up
# does not change the way of working from walk to walk.
WORTH_A_LINE = 0.05


def pair_counts(
    trees: Sequence[TreeCount], hand_counts: Sequence[HandCount]
) -> tuple[list[tuple[TreeCount, HandCount]], Doubts]:
    """Photographed trees with the hand count nearest in time, and a doubt if a protocol differs."""
    pairs: list[tuple[TreeCount, HandCount]] = []
    other_protocol = False
    for tree in trees:
        near = [
            count
            for count in hand_counts
            if count.tree == tree.tree and _days_apart(count, tree) <= HAND_COUNT_DAYS
        ]
        fitting = [count for count in near if count.protocol == tree.protocol]
        other_protocol |= len(fitting) < len(near)
        if fitting:
            pairs.append((tree, min(fitting, key=lambda count: _days_apart(count, tree))))
    return pairs, ((Doubt.OTHER_PROTOCOL,) if other_protocol else ())


def _days_apart(count: HandCount, tree: TreeCount) -> int:
    return abs((count.counted_on - tree.walked_on).days)


def pair_ratio(
    visible: Sequence[float], counted: Sequence[float], weights: Sequence[float] | None = None
) -> Ratio:
    """Ratio of sums. Below `FEW_HAND_COUNTS` pairs the spread between trees is taken to be
    `ASSUMED_FACTOR_SPREAD` at least, and x and d to go apart: three trees can't tell either.

    Raises
    ------
    ValueError
        If there is no pair, or no fruit was visible.
    """
    pairs = len(visible)
    if pairs >= FEW_HAND_COUNTS:
        return ratio_of_sums(visible, counted, weights=weights)
    assumed = ASSUMED_FACTOR_SPREAD * max(float(np.mean(counted)), 1.0)
    mean = float(np.mean(visible))
    if pairs == 1:
        return Ratio(
            ratio=counted[0] / visible[0], error=assumed / mean, residual_sd=assumed, pairs=1
        )
    seen = ratio_of_sums(visible, counted, weights=weights)
    return Ratio(
        ratio=seen.ratio,
        error=max(seen.error, assumed / mean / pairs**0.5),
        residual_sd=max(seen.residual_sd, assumed),
        pairs=pairs,
    )


def pairs_below(least: Sequence[float], counted: Sequence[float]) -> tuple[int, ...]:
    """Indices of pairs with fewer fruit by hand than surely hang there (`least`, fruit)."""
    return tuple(i for i, (x, y) in enumerate(zip(least, counted, strict=True)) if y < x)


def suspect_pairs(
    visible: Sequence[float], counted: Sequence[float], least: Sequence[float] | None = None
) -> tuple[int, ...]:
    """Indices of pairs that look wrong, the worst first: fewer fruit by hand than surely hang
    there, or far off.

    Far off is an externally studentised residual of y = K·x, with the variance growing as x, that
    is beyond the t quantile of `SUSPECT_CHANCE` over all pairs; from 4 pairs on. The worst is the
    furthest from K of the other pairs, in √x.

    Parameters
    ----------
    least : sequence of float, optional
        Fruit that surely hang on each tree; all visible ones if not given. Where two sides are
        added, that is less than their sum: fruit seen from both are in it twice.
    """
    wrong = set(pairs_below(visible if least is None else least, counted))
    if len(visible) >= 4:
        residuals = np.abs(studentised_residuals(visible, counted))
        limit = -float(stdtrit(len(visible) - 2, SUSPECT_CHANCE / 2 / len(visible)))
        wrong |= {int(i) for i in np.flatnonzero(residuals > limit)}
    kept = [i for i in range(len(visible)) if i not in wrong] or list(range(len(visible)))
    seen = sum(visible[i] for i in kept)
    usual = sum(counted[i] for i in kept) / seen if seen > 0 else 1.0

    def off(i: int) -> float:
        return float(abs(counted[i] - usual * visible[i]) / max(visible[i], 1.0) ** 0.5)

    return tuple(sorted(wrong, key=lambda i: (-off(i), i)))


def studentised_residuals(visible: Sequence[float], counted: Sequence[float]) -> Array:
    """Residual of each pair from the line through 0 of the others, in its standard errors, (n,).

    Weighted by 1/x (at least 1 fruit), whose slope is the ratio of sums. Infinite for a pair that
    alone keeps the others from lying on one line.
    """
    root = np.sqrt(np.maximum(np.asarray(visible, float), 1.0))
    x, y = np.asarray(visible, float) / root, np.asarray(counted, float) / root
    leverage = x**2 / float(x @ x)
    apart = y - x * float(x @ y) / float(x @ x)
    left = float(apart @ apart) - apart**2 / (1 - leverage)
    variance = np.maximum(left, 0.0) / (len(x) - 2)
    scale = np.sqrt(variance * (1 - leverage))
    alone = np.where(np.abs(apart) > 1e-9, np.copysign(np.inf, apart), 0.0)
    tiny = 1e-9 * max(1.0, float(np.abs(y).max()))
    out = np.divide(apart, scale, out=alone, where=scale > tiny)
    return np.asarray(out, dtype=np.float64)


# ---------------------------------------------------------------- ratio or line


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelChoice:
    """How hidden fruit follow from visible ones: "ratio", "line" or "vigour".

    `errors` : root mean square error of each model in fruit, every tree predicted from the others.
    """

    model: str
    errors: tuple[tuple[str, float], ...]


def choose_model(
    visible: Sequence[float], counted: Sequence[float], vigour: Sequence[float] | None = None
) -> ModelChoice:
    """The plain ratio, unless 15 pairs or more show that another model predicts better.

    "line" is y = a + b·x; "vigour" is y = (K + c·vigour)·x, tried if each tree's vigour is given.
    All are fitted with weights 1/x and judged by leave-one-out cross-validation.
    """
    x, y = np.asarray(visible, float), np.asarray(counted, float)
    designs = {"ratio": x[:, np.newaxis]}
    if len(x) >= PAIRS_FOR_A_LINE:
        designs["line"] = np.column_stack([np.ones(len(x)), x])
        if vigour is not None:
            designs["vigour"] = np.column_stack([x, np.asarray(vigour, float) * x])
    errors = {name: _left_out_error(design, x, y) for name, design in designs.items()}
    best = min(errors, key=lambda name: errors[name])
    worth = errors[best] < (1 - WORTH_A_LINE) * errors["ratio"]
    return ModelChoice(model=best if worth else "ratio", errors=tuple(errors.items()))


def _left_out_error(design: Array, x: Array, y: Array) -> float:
    """Root mean square error of each tree predicted from all others, weights 1/x."""
    weights = 1 / np.sqrt(np.maximum(x, 1.0))
    apart = []
    for index in range(len(x)):
        others = np.arange(len(x)) != index
        if not design[others].any():
            return float("inf")
        fit, *_ = np.linalg.lstsq(
            design[others] * weights[others, np.newaxis], y[others] * weights[others]
        )
        apart.append(y[index] - float(design[index] @ fit))
    return float(np.sqrt(np.mean(np.square(apart)))) if apart else float("inf")

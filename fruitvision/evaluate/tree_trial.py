"""A detector tried on hand-counted trees: how well its visible fruit tell what hangs there.

A farm's hand counts correct what a detector misses on all trees alike. What is left is how
unevenly it misses: that is what a better detector lessens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Hand-counted trees below which nothing is said, of all blocks and of one. Our choice: as for the
# hidden-fruit factor, and what a spread within a block needs.
FEWEST_TREES, FEWEST_OF_BLOCK = 5, 3
# Differences of two detectors that are no difference: in F1, and in the error of a tree's count as
# a share of it. Our choice: a dozen photos or trees tell no finer ones.
SAME_F1, SAME_ERROR = 0.005, 0.005

# Fruit seen on a tree, and counted on it by hand.
Pair = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeTrial:
    """A detector on hand-counted trees.

    `ratio` : fruit counted by hand for each that was seen; `scatter` : standard deviation of hand
    count over its block's ratio x seen, as a share; `error` : mean absolute error of a tree's
    count, told from its seen fruit and the ratio of the block's other trees, as a share of its
    hand count.
    """

    trees: int
    ratio: float
    scatter: float
    error: float


def tree_trial(blocks: Sequence[Sequence[Pair]]) -> TreeTrial | None:
    """A trial from the pairs of each block; None with fewer than `FEWEST_TREES` that can be used.

    Trees of which nothing was counted or seen have no error as a share and are left out, and so
    are blocks with fewer than `FEWEST_OF_BLOCK` others.
    """
    used = [[pair for pair in block if min(pair) > 0] for block in blocks]
    used = [block for block in used if len(block) >= FEWEST_OF_BLOCK]
    trees = sum(map(len, used))
    if trees < FEWEST_TREES:
        return None
    apart, errors = [], []
    for block in used:
        x, y = np.array(block, dtype=np.float64).T
        apart.append(y / (y.sum() / x.sum() * x) - 1)
        told = x * (y.sum() - y) / (x.sum() - x)
        errors.append(np.abs(told - y) / y)
    squares = float((np.concatenate(apart) ** 2).sum())
    pairs = [pair for block in used for pair in block]
    return TreeTrial(
        trees=trees,
        ratio=sum(y for _, y in pairs) / sum(x for x, _ in pairs),
        # One ratio a block was fitted.
        scatter=(squares / (trees - len(used))) ** 0.5,
        error=float(np.concatenate(errors).mean()),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """Figures of a detector on photos and trees that it did not learn from.

    `ap50`, `f1` (overlap 0.5), `f1_there` (0.2), both at its own threshold; `count_error`: mean
    absolute error of a photo's count as a share; None where the photos can't tell it. `trees` :
    None if too few are hand-counted.
    """

    photos: int
    fruit: int
    ap50: float | None
    f1: float | None
    f1_there: float | None
    count_error: float | None
    trees: TreeTrial | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What two trials come to: names of figures that are `better` and `worse` than before."""

    better: tuple[str, ...]
    worse: tuple[str, ...]

    @property
    def is_advised(self) -> bool:
        """Something is better and nothing worse."""
        return bool(self.better) and not self.worse


def verdict(before: Trial, after: Trial) -> Verdict:
    """Held against each other by F1 on photos and by the error of a tree's count."""
    better: list[str] = []
    worse: list[str] = []
    if before.f1 is not None and after.f1 is not None:
        _judge("fruit found in photos (F1)", after.f1 - before.f1, SAME_F1, better, worse)
    if before.trees is not None and after.trees is not None:
        gain = before.trees.error - after.trees.error
        _judge("count of a tree", gain, SAME_ERROR, better, worse)
    return Verdict(better=tuple(better), worse=tuple(worse))


def _judge(name: str, gain: float, same: float, better: list[str], worse: list[str]) -> None:
    if gain > same:
        better.append(name)
    elif gain < -same:
        worse.append(name)

"""Hand-counted trees of like blocks, pooled for one block's hidden-fruit factor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fruitvision.domain import HandCount, TreeCount
from fruitvision.hidden_pairs import ASSUMED_FACTOR_SPREAD, FEW_HAND_COUNTS
from fruitvision.pooling import pool, shrink, unseen
from fruitvision.survey import Ratio, ratio_of_sums

# Spread of the factor between like blocks, and between the weeks of an old factor and now, where
# it can't be computed; between blocks it counts like four blocks. Our choice, because pruning,
# leaf and load easily move a factor by a tenth, and two blocks that look alike prove little.
ASSUMED_BETWEEN = 0.10
ASSUMED_BETWEEN_BLOCKS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockPairs:
    """Visible and hand-counted fruit of the trees of one block that have both.

    Those of panels are per tree, with the number of `trees` of each panel (1 each if empty).
    `vigour` is empty unless it is known of all.
    """

    block_id: str
    visible: tuple[float, ...]
    counted: tuple[float, ...]
    trees: tuple[float, ...] = ()
    vigour: tuple[float, ...] = ()

    @property
    def weights(self) -> tuple[float, ...]:
        """Trees behind each pair."""
        return self.trees or (1.0,) * len(self.visible)

    @property
    def tell_a_factor(self) -> bool:
        """Whether their ratio is a number above 0."""
        return sum(self.visible) > 0 and sum(self.counted) > 0

    @property
    def factor(self) -> float:
        """Ratio of sums."""
        return float(np.dot(self.weights, self.counted) / np.dot(self.weights, self.visible))


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledRatio:
    """A block's ratio with those of like blocks in it; what its own pairs weigh, 0 to 1.

    `common_error` is the part of the ratio's error that like blocks share.
    """

    ratio: Ratio
    own_weight: float
    common_error: float


def pairs_of(block_id: str, pairs: Sequence[tuple[TreeCount, HandCount]]) -> BlockPairs:
    """Numbers of the pairs of one block."""
    vigour = [tree.vigour for tree, _ in pairs if tree.vigour is not None]
    return BlockPairs(
        block_id=block_id,
        visible=tuple(tree.visible_per_tree for tree, _ in pairs),
        counted=tuple(count.fruit_count / tree.trees for tree, count in pairs),
        trees=tuple(float(tree.trees) for tree, _ in pairs),
        vigour=tuple(vigour) if len(vigour) == len(pairs) else (),
    )


def pool_pairs(
    own: BlockPairs, like: Sequence[BlockPairs], *, photographed: Sequence[float]
) -> PooledRatio:
    """The log of a block's factor by empirical Bayes; variances by the delta method.

    The scatter of trees around their block's factor is taken to be alike in all blocks, since the
    few pairs of one block can't tell it. The own factor's variance is that for the `photographed`
    trees (their visible fruit per tree): none if all of them were counted.
    """
    groups = [block for block in (own, *like) if block.tell_a_factor]
    scatter, freedom = _common_scatter(groups)
    pooled = pool(
        [float(np.log(block.factor)) for block in groups],
        [scatter**2 / len(block.visible) for block in groups],
        assumed_sd=ASSUMED_BETWEEN,
        assumed_freedom=ASSUMED_BETWEEN_BLOCKS,
    )
    pairs = len(own.visible)
    if own.tell_a_factor:
        variance = scatter**2 * (1 / pairs - 1 / max(pairs, len(photographed)))
        moved = shrink(float(np.log(own.factor)), variance, pooled, degrees_of_freedom=freedom)
    else:
        moved = unseen(pooled)
    factor = float(np.exp(moved.value))
    ratio = Ratio(
        ratio=factor,
        error=factor * moved.error,
        residual_sd=scatter * factor * float(np.mean(photographed)),
        # The variance above already knows how many of the photographed trees were counted.
        pairs=0,
        covariance=_covariance(own),
        degrees_of_freedom=moved.degrees_of_freedom,
    )
    return PooledRatio(
        ratio=ratio, own_weight=moved.own_weight, common_error=factor * moved.common_error
    )


def _common_scatter(groups: Sequence[BlockPairs]) -> tuple[float, int]:
    """Relative spread of trees around the factor of their block, and its degrees of freedom."""
    freedom = sum(len(block.visible) - 1 for block in groups)
    if freedom == 0:
        return ASSUMED_FACTOR_SPREAD, 1
    squares = sum(
        (len(block.visible) - 1) * (_ratio(block).residual_sd / np.mean(block.counted)) ** 2
        for block in groups
        if len(block.visible) >= 2
    )
    scatter = float((squares / freedom) ** 0.5)
    few = sum(len(block.visible) for block in groups) < FEW_HAND_COUNTS
    return max(scatter, ASSUMED_FACTOR_SPREAD if few else SMALLEST_SCATTER), freedom


# Least scatter of trees around their factor that is believed: fruit are seen or hidden by chance.
# Our choice.
SMALLEST_SCATTER = 0.02


def _covariance(own: BlockPairs) -> float:
    if len(own.visible) < FEW_HAND_COUNTS:
        return 0.0
    return _ratio(own).covariance


def _ratio(block: BlockPairs) -> Ratio:
    return ratio_of_sums(block.visible, block.counted, weights=block.weights)

"""Thirds of the trees' height that stand out in load or size.

This needs the height of every fruit above the ground as a share of the tree's height. The records
of a photo hold no ground line and no top of the tree, so these functions work on arrays that
whoever has both can give.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.attention import FEWEST_SIZED, FEWEST_TREES, Comparison, difference

Array = NDArray[np.float64]

THIRDS = ("bottom third", "middle third", "top third")


@dataclass(frozen=True, slots=True, eq=False)
class TreeHeights:
    """Fruit of one tree: height as a share of the tree's, 0 to 1, and diameter in mm, nan where
    not sized; (n,) each."""

    heights: Array
    diameters_mm: Array

    def __post_init__(self) -> None:
        if self.heights.shape != self.diameters_mm.shape or self.heights.ndim != 1:
            raise ValueError(
                f"heights and diameters must be (n,) both, got {self.heights.shape} and "
                f"{self.diameters_mm.shape}"
            )
        if np.any((self.heights < 0) | (self.heights > 1)):
            raise ValueError("heights are shares of the tree's height, from 0 to 1")


def compare_heights(
    block_id: str, trees: Sequence[TreeHeights], like: Sequence[TreeHeights]
) -> tuple[Comparison, ...]:
    """Thirds of the trees' height against those of like trees: share of the fruit, and diameter.

    Trees without fruit are left out; diameters are those of trees with `FEWEST_SIZED` sized fruit
    in the third.
    """
    found = []
    for third, name in enumerate(THIRDS):
        sides = [
            [(_share_in(tree, third), _mean_in(tree, third)) for tree in side if len(tree.heights)]
            for side in (trees, like)
        ]
        shares = [[share for share, _ in side] for side in sides]
        sizes = [[mm for _, mm in side if mm is not None] for side in sides]
        for what, (own, rest) in (("load", shares), ("size", sizes)):
            if min(len(own), len(rest)) >= FEWEST_TREES and np.mean(rest) > 0:
                effect, chance = difference(own, rest)
                found.append(
                    Comparison(
                        block_id=block_id,
                        where=f"{block_id}, {name}",
                        what=what,
                        effect=effect,
                        chance=chance,
                    )
                )
    return tuple(found)


def _in_third(tree: TreeHeights, third: int) -> NDArray[np.bool_]:
    number = np.minimum((tree.heights * len(THIRDS)).astype(int), len(THIRDS) - 1)
    return np.asarray(number == third, dtype=np.bool_)


def _share_in(tree: TreeHeights, third: int) -> float:
    return float(_in_third(tree, third).mean())


def _mean_in(tree: TreeHeights, third: int) -> float | None:
    diameters = tree.diameters_mm[_in_third(tree, third)]
    sized = diameters[~np.isnan(diameters)]
    return float(sized.mean()) if len(sized) >= FEWEST_SIZED else None

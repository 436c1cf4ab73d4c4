"""Thirds of the trees' height that stand out in load or size from those of like blocks.

The height of a fruit is known where the marker hangs at the same, measured height at every tree:
a photo tells how far above the marker's centre a fruit hangs, by the scale in the marker's plane.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.attention import (
    FEWEST_SIZED,
    FEWEST_TREES,
    Comparison,
    difference,
    like_weeks,
)
from fruitvision.domain import BlockEstimate, FruitHeights
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# The trees' top where nobody measured it: this quantile of the heights of all fruit. Our choice:
# one in a hundred may be a thing in the sky that was taken for a fruit.
TOP_QUANTILE = 0.99

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


def tree_heights(
    trees: Sequence[FruitHeights], *, marker_height_mm: float, top_mm: float
) -> tuple[TreeHeights, ...]:
    """Heights of the fruit of trees, from 0 at the ground to 1 at the top.

    What lies below the ground or above the top by the error of measuring counts as on it.

    Raises
    ------
    ValueError
        If the top is not above the ground.
    """
    if top_mm <= 0:
        raise ValueError(f"the top must be above 0 mm, got {top_mm}")
    found = []
    for tree in trees:
        above = marker_height_mm + tree.above_marker_mm.values
        diameters = np.full(len(above), np.nan)
        diameters[: len(tree.diameters_mm)] = tree.diameters_mm.values
        heights = np.clip(above / top_mm, 0.0, 1.0)
        found.append(TreeHeights(heights=heights, diameters_mm=diameters))
    return tuple(found)


def highest_fruit_mm(trees: Sequence[FruitHeights], *, marker_height_mm: float) -> float | None:
    """Height of the highest fruit of these trees above the ground; None where none is above it."""
    above = np.concatenate([np.empty(0), *(tree.above_marker_mm.values for tree in trees)])
    top = marker_height_mm + float(np.quantile(above, TOP_QUANTILE)) if len(above) else 0.0
    return top if top > 0 else None


def compare_like_heights(
    walks: Sequence[tuple[BlockEstimate, Sequence[FruitHeights]]], settings: Settings
) -> tuple[Comparison, ...]:
    """Each block against its like (group, else variety) that were walked in the same week.

    Nothing where the marker's height above the ground is not set. Trees whose heights are not known
    are not among the walks' trees.
    """
    if settings.marker_height_mm <= 0:
        return ()
    by_name = {estimate.block.block_id: trees for estimate, trees in walks}
    found: list[Comparison] = []
    for week in like_weeks([estimate for estimate, _ in walks]):
        names = [estimate.block.block_id for estimate in week]
        found += _compare_week({name: by_name[name] for name in names}, settings)
    return tuple(found)


def _compare_week(
    blocks: Mapping[str, Sequence[FruitHeights]], settings: Settings
) -> Iterator[Comparison]:
    """Each of these blocks against the others."""
    marker_mm = settings.marker_height_mm
    trees = [tree for of_block in blocks.values() for tree in of_block]
    top_mm = settings.tree_height_mm or highest_fruit_mm(trees, marker_height_mm=marker_mm)
    if not top_mm:
        return
    heights = {
        name: tree_heights(of_block, marker_height_mm=marker_mm, top_mm=top_mm)
        for name, of_block in blocks.items()
    }
    for name, own in heights.items():
        like = [tree for other, of in heights.items() if other != name for tree in of]
        yield from compare_heights(name, own, like)


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

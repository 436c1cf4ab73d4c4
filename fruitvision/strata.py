"""Photographed trees by stratum, as fruit per full tree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fruitvision.domain import Block, RegisteredTree, Stratum, TreeId, TreeKind, TreeSample
from fruitvision.errors import FieldDataError
from fruitvision.register import equivalent, strata_of
from fruitvision.two_phase import SampledStratum

# Spread of fruit per tree assumed where it can't be computed. Common practice for uneven blocks.
ASSUMED_TREE_SPREAD = 0.30


@dataclass(frozen=True, slots=True, kw_only=True)
class StratumSample:
    """The photographed trees of a stratum; `shares` are their bearing shares.

    Visible fruit per full tree are Σ visible / Σ share, a ratio; `per_full_tree` are values whose
    mean is that ratio and whose variance is that of a ratio's residuals (Cochran 1977, §6.3).
    """

    stratum: Stratum
    trees: tuple[TreeSample, ...]
    shares: tuple[float, ...]

    @property
    def is_sampled(self) -> bool:
        """Whether a tree that bears was photographed."""
        return sum(self.shares) > 0

    @property
    def visible(self) -> float:
        """Visible fruit per full tree."""
        return sum(tree.visible_count for tree in self.trees) / sum(self.shares)

    @property
    def per_full_tree(self) -> tuple[float, ...]:
        """One value a tree; the visible counts themselves if all trees bear fully."""
        ratio = self.visible
        mean_share = sum(self.shares) / len(self.shares)
        return tuple(
            ratio + (tree.visible_count - ratio * share) / mean_share
            for tree, share in zip(self.trees, self.shares, strict=True)
        )

    @property
    def all_equal(self) -> bool:
        """Whether two or more trees show no spread at all."""
        return len(self.trees) > 1 and len({tree.visible_count for tree in self.trees}) == 1


def part_trees(
    block: Block, register: Sequence[RegisteredTree], trees: Sequence[TreeSample]
) -> tuple[StratumSample, ...]:
    """Every stratum of the block with its photographed trees; one may have none.

    Raises
    ------
    FieldDataError
        If a tree is not in the register, or there as missing or pollinizer; if a stratum has more
        photographed than bearing trees; or if no photographed tree bears.
    """
    places = {place.tree: place for place in register}
    known = [_registered(tree, places) if register else None for tree in trees]
    parted = []
    for stratum in strata_of(block, register):
        inside = [
            (tree, equivalent(place) if place else 1.0)
            for tree, place in zip(trees, known, strict=True)
            if place is None or place.stratum == stratum.name
        ]
        _check_number(block, stratum, len(inside))
        parted.append(
            StratumSample(
                stratum=stratum,
                trees=tuple(tree for tree, _ in inside),
                shares=tuple(share for _, share in inside),
            )
        )
    if not any(part.is_sampled and part.stratum.bearing_trees > 0 for part in parted):
        raise FieldDataError(
            f"{block.block_id}: none of the photographed trees bears by the register.",
            fix="Photograph bearing trees, or correct the bearing shares in the register.",
        )
    return tuple(parted)


def _registered(tree: TreeSample, places: dict[TreeId, RegisteredTree]) -> RegisteredTree:
    place = places.get(tree.tree)
    if place is None:
        raise FieldDataError(
            f"{tree.tree} was photographed, but is not in the register.",
            fix="Correct row and tree in walk.csv, or add the place to the register.",
        )
    if place.kind in (TreeKind.MISSING, TreeKind.POLLINIZER):
        raise FieldDataError(
            f"{tree.tree} was photographed, but is {place.kind.value} in the register.",
            fix="Correct the register, or take the tree out of walk.csv.",
        )
    return place


def _check_number(block: Block, stratum: Stratum, sampled: int) -> None:
    standing = stratum.bearing + stratum.replants
    if sampled > standing:
        part = f" in '{stratum.name}'" if stratum.name else ""
        raise FieldDataError(
            f"{block.block_id}: {sampled} trees were photographed{part}, but the register has "
            f"{standing} bearing trees.",
            fix="Correct positions, missing and pollinizers in blocks.csv, or the register.",
        )


def tree_weights(parts: Sequence[StratumSample]) -> dict[TreeId, float]:
    """Full trees of the block that each photographed tree stands for."""
    return {
        tree.tree: part.stratum.bearing_trees / sum(part.shares) if part.is_sampled else 0.0
        for part in parts
        for tree in part.trees
    }


def two_phase_strata(parts: Sequence[StratumSample]) -> tuple[SampledStratum, ...]:
    """The sampled strata; one tree, or equal trees, get the assumed spread between trees."""
    return tuple(
        SampledStratum(
            share=part.stratum.bearing_trees,
            units=part.stratum.bearing + part.stratum.replants,
            values=part.per_full_tree,
            assumed_sd=ASSUMED_TREE_SPREAD * part.visible
            if len(part.trees) == 1 or part.all_equal
            else None,
        )
        for part in parts
        if part.is_sampled
    )

"""Photographed trees and panels by stratum, as fruit per full tree."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from fruitvision.domain import Block, RegisteredTree, Stratum, TreeCount, TreeId, TreeKind
from fruitvision.errors import FieldDataError
from fruitvision.register import STANDS, equivalent, strata_of
from fruitvision.two_phase import SampledStratum

# Spread of fruit per tree assumed where it can't be computed. Common practice for uneven blocks.
ASSUMED_TREE_SPREAD = 0.30


@dataclass(frozen=True, slots=True, kw_only=True)
class StratumSample:
    """The photographed trees of a stratum; `shares` are their bearing shares, summed over a panel.

    `mixed`: a panel holds something else too, a pollinizer, a tree of another stratum or of
    another photo.

    Visible fruit per full tree are Σ visible / Σ share, a ratio; `per_full_tree` are values whose
    mean is that ratio and whose variance is that of a ratio's residuals (Cochran 1977, §6.3).
    """

    stratum: Stratum
    trees: tuple[TreeCount, ...]
    shares: tuple[float, ...]
    mixed: bool = False

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
        """One value a tree or panel; the visible counts themselves if all trees bear fully."""
        return self._spread_over([float(tree.visible_count) for tree in self.trees])

    @property
    def vigour_per_full_tree(self) -> tuple[float, ...]:
        """Visible fruit times vigour, in the same way; the vigour of every tree must be known."""
        return self._spread_over([(tree.vigour or 0.0) * tree.visible_count for tree in self.trees])

    def _spread_over(self, counts: Sequence[float]) -> tuple[float, ...]:
        ratio = sum(counts) / sum(self.shares)
        mean_share = sum(self.shares) / len(self.shares)
        return tuple(
            ratio + (count - ratio * share) / mean_share
            for count, share in zip(counts, self.shares, strict=True)
        )

    @property
    def units(self) -> int:
        """Trees that stand in the stratum, or panels of the size of those photographed."""
        standing = self.stratum.bearing + self.stratum.replants
        seen = sum(tree.trees for tree in self.trees)
        return max(len(self.trees), round(standing * len(self.trees) / seen)) if seen else standing

    @property
    def all_equal(self) -> bool:
        """Whether two or more trees show no spread at all."""
        return len(self.trees) > 1 and len({tree.visible_per_tree for tree in self.trees}) == 1


def part_trees(
    block: Block, register: Sequence[RegisteredTree], trees: Sequence[TreeCount]
) -> tuple[StratumSample, ...]:
    """Every stratum of the block with its photographed trees; one may have none.

    Raises
    ------
    FieldDataError
        If a tree is not in the register, or there as missing or pollinizer; if a stratum has more
        photographed than bearing trees; or if no photographed tree bears.
    """
    places = {place.tree: place for place in register}
    shown = [_shown(tree, places) if register else _shown_unregistered(tree) for tree in trees]
    twice = {
        tree for tree, times in Counter(t for one in shown for t in one.of).items() if times > 1
    }
    parted = []
    for stratum in strata_of(block, register):
        inside = [
            (tree, one)
            for tree, one in zip(trees, shown, strict=True)
            if not register or one.stratum == stratum.name
        ]
        # By a register a panel may lie in two strata; its places were looked up one by one.
        seen = len(inside) if register else sum(tree.trees for tree, _ in inside)
        _check_number(block, stratum, seen)
        parted.append(
            StratumSample(
                stratum=stratum,
                trees=tuple(tree for tree, _ in inside),
                shares=tuple(one.share for _, one in inside),
                mixed=any(one.mixed or twice.intersection(one.of) for _, one in inside),
            )
        )
    if not any(part.is_sampled and part.stratum.bearing_trees > 0 for part in parted):
        raise FieldDataError(
            f"{block.block_id}: none of the photographed trees bears by the register.",
            fix="Photograph bearing trees, or correct the bearing shares in the register.",
        )
    return tuple(parted)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """The places that a tree's photos show: the tree's own, or the standing ones of a panel."""

    of: tuple[TreeId, ...]
    share: float
    stratum: str = ""
    mixed: bool = False


def _shown_unregistered(tree: TreeCount) -> _Shown:
    """Full trees, one place after the other."""
    first = tree.tree
    return _Shown(
        of=tuple(replace(first, position=first.position + step) for step in range(tree.trees)),
        share=float(tree.trees),
    )


def _shown(tree: TreeCount, places: Mapping[TreeId, RegisteredTree]) -> _Shown:
    """The first so many standing places from the named one on; gaps are passed over.

    A panel belongs to the stratum of most of its trees.
    """
    first = _registered(tree, places)
    if tree.trees == 1:
        return _Shown(of=(tree.tree,), share=equivalent(first), stratum=first.stratum)
    along = sorted(
        (place for at, place in places.items() if at.row == tree.tree.row and at >= tree.tree),
        key=lambda place: place.tree,
    )
    standing = [place for place in along if place.kind in STANDS][: tree.trees]
    if len(standing) < tree.trees:
        raise FieldDataError(
            f"A photo shows {tree.trees} trees from {tree.tree} on, but by the register "
            f"{len(standing)} stand there.",
            fix="Correct trees in walk.csv, or the register.",
        )
    between = [place for place in along if place.tree < standing[-1].tree]
    strata = Counter(place.stratum for place in standing)
    return _Shown(
        of=tuple(place.tree for place in standing),
        share=sum(equivalent(place) for place in standing),
        stratum=strata.most_common(1)[0][0],
        mixed=len(strata) > 1 or any(place.kind is TreeKind.POLLINIZER for place in between),
    )


def _registered(tree: TreeCount, places: Mapping[TreeId, RegisteredTree]) -> RegisteredTree:
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


def two_phase_strata(
    parts: Sequence[StratumSample], *, by_vigour: bool = False
) -> tuple[SampledStratum, ...]:
    """The sampled strata with visible fruit per full tree, or with those times vigour.

    One tree, or equal trees, get the assumed spread between trees.
    """
    return tuple(
        SampledStratum(
            share=part.stratum.bearing_trees,
            units=part.units,
            values=part.vigour_per_full_tree if by_vigour else part.per_full_tree,
            assumed_sd=ASSUMED_TREE_SPREAD * part.visible
            if len(part.trees) == 1 or part.all_equal
            else None,
        )
        for part in parts
        if part.is_sampled
    )

"""A plan of a block's rows and places, drawn from its register and its latest walk.

Places that are alike and follow each other in a row are one run, so that a block of thousands of
trees is a few hundred pieces.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from fruitvision.domain import (
    Doubts,
    HandCount,
    RegisteredTree,
    TreeCount,
    TreeKind,
    VisitedPlace,
)
from fruitvision.hidden_pairs import pair_counts


@dataclass(frozen=True, slots=True, kw_only=True)
class MapRun:
    """Places `first` to `last` of a row, all of one kind and in one part of the block.

    `variety` is that of pollinizers, where it is written down.
    """

    row: int
    first: int
    last: int
    kind: TreeKind
    stratum: str
    variety: str = ""

    @property
    def places(self) -> int:
        """How many."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class MapTree:
    """A photographed tree, or panel of `trees` from `position` on.

    `visible` : fruit seen per tree. `hand_count` : fruit per tree by hand, where it fits the
    photos. `mean_mm` : mean diameter of the `sized` fruit.
    """

    row: int
    position: int
    trees: int
    visible: float
    sized: int
    mean_mm: float | None
    hand_count: float | None
    doubts: Doubts


@dataclass(frozen=True, slots=True, kw_only=True)
class MapFind:
    """A place where the walk found something else than the register says."""

    row: int
    position: int
    registered: TreeKind
    found: TreeKind


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldMap:
    """A block's plan. Without a register there are no runs: rows are known from photos only."""

    runs: tuple[MapRun, ...]
    trees: tuple[MapTree, ...]
    finds: tuple[MapFind, ...]

    @property
    def from_register(self) -> bool:
        """Whether every place is known, or only the photographed ones."""
        return bool(self.runs)

    @property
    def strata(self) -> tuple[str, ...]:
        """Names of the parts that bear alike; the rest of the block is empty."""
        return tuple(sorted({run.stratum for run in self.runs}))


def field_map(
    register: Sequence[RegisteredTree],
    trees: Sequence[TreeCount] = (),
    hand_counts: Sequence[HandCount] = (),
    visited: Sequence[VisitedPlace] = (),
) -> FieldMap:
    """The plan of one block.

    Parameters
    ----------
    register : sequence of RegisteredTree
        All places of the block, in any order; none where there is no register.
    trees, hand_counts : sequences
        Of the latest walk.
    visited : sequence of VisitedPlace
        What walks found; of several words on a place the last counts.
    """
    pairs, _ = pair_counts(trees, hand_counts)
    by_hand = {tree.tree: count.fruit_count for tree, count in pairs}
    return FieldMap(
        runs=tuple(_runs(register)),
        trees=tuple(_tree(one, by_hand.get(one.tree)) for one in trees),
        finds=tuple(_finds(register, visited)),
    )


def _runs(register: Sequence[RegisteredTree]) -> Iterator[MapRun]:
    """Neighbours in a row that are alike, together; a place that is not listed parts them."""

    def alike(numbered: tuple[int, RegisteredTree]) -> tuple[object, ...]:
        number, one = numbered
        return (one.tree.row, one.tree.position - number, one.kind, one.stratum, one.variety)

    in_order = sorted(register, key=lambda one: one.tree)
    for _, run in groupby(enumerate(in_order), key=alike):
        places = [one for _, one in run]
        first = places[0]
        yield MapRun(
            row=first.tree.row,
            first=first.tree.position,
            last=places[-1].tree.position,
            kind=first.kind,
            stratum=first.stratum,
            variety=first.variety,
        )


def _tree(one: TreeCount, counted: int | None) -> MapTree:
    return MapTree(
        row=one.tree.row,
        position=one.tree.position,
        trees=one.trees,
        visible=one.visible_per_tree,
        sized=one.sized,
        mean_mm=one.mean_mm,
        hand_count=None if counted is None else counted / one.trees,
        doubts=one.doubts,
    )


def _finds(
    register: Sequence[RegisteredTree], visited: Sequence[VisitedPlace]
) -> Iterator[MapFind]:
    said = {one.tree: one.kind for one in register}
    last = {one.tree: one.found for one in sorted(visited, key=lambda one: one.visited_on)}
    for tree, found in sorted(last.items()):
        registered = said.get(tree)
        if registered is not None and registered is not found:
            yield MapFind(row=tree.row, position=tree.position, registered=registered, found=found)

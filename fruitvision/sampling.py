"""Which trees to walk to: a random start, then every k-th position along all rows.

The whole block has the same chance to be drawn, gaps included: a drawn gap is written down and not
replaced, and so audits the register. Systematic samples are treated as random ones afterwards,
which is safe as long as no pattern of the block repeats with the step.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from fruitvision.domain import PlannedPlace, RegisteredTree, TreeId, TreeKind, WalkPlan
from fruitvision.errors import FieldDataError

# Fewest trees of a stratum: a spread can be computed from two.
FEWEST_IN_STRATUM = 2


def rows_of_positions(block_id: str, row_lengths: Sequence[int]) -> tuple[RegisteredTree, ...]:
    """A plain register where there is none: rows 1, 2, ... with so many positions each.

    Raises
    ------
    FieldDataError
        If a row has a negative number of positions.
    """
    for row, length in enumerate(row_lengths, start=1):
        if length < 0:
            raise FieldDataError(
                f"Row {row} of {block_id} has {length} positions.", fix="Give 0 or more."
            )
    return tuple(
        RegisteredTree(tree=TreeId(block_id, row, position))
        for row, length in enumerate(row_lengths, start=1)
        for position in range(1, length + 1)
    )


def serpentine(trees: Sequence[TreeId]) -> tuple[TreeId, ...]:
    """The way through a block: up its first row, down the next, and so on."""
    way: list[TreeId] = []
    for number, (_, row) in enumerate(groupby(sorted(trees), key=lambda tree: tree.row)):
        in_row = list(row)
        way.extend(in_row if number % 2 == 0 else reversed(in_row))
    return tuple(way)


@dataclass(frozen=True, slots=True, kw_only=True)
class WayIn:
    """Where a row is entered on the way through a block, and how far in a tree stands.

    `end` : position at which the row is entered; `far` : whether its numbers end there; `steps` :
    positions from there to the tree, both counted, gaps too.
    """

    end: int
    far: bool
    steps: int


def way_into(tree: TreeId, register: Sequence[RegisteredTree]) -> WayIn | None:
    """How to come to a tree from the end at which its row is entered; None if it has no such row.

    Parameters
    ----------
    register : sequence of RegisteredTree
        All positions of the block. Pollinizers are left out, as at the draw.
    """
    way = serpentine([one.tree for one in register if one.kind is not TreeKind.POLLINIZER])
    row = [one.position for one in way if one.row == tree.row]
    if not row:
        return None
    return WayIn(end=row[0], far=row[0] > row[-1], steps=abs(tree.position - row[0]) + 1)


def plan_walk(
    register: Sequence[RegisteredTree],
    *,
    trees: int,
    seed: int,
    earlier: Sequence[TreeId] = (),
    hand_counts: int = 0,
    without: Collection[TreeId] = (),
) -> WalkPlan:
    """Draw the trees of one walk.

    Strata share the walk by their numbers of bearing trees. Where `earlier` trees are given, half
    of each stratum's stops are drawn from them, which shows change, and half from the rest, which
    repairs bad luck.

    Parameters
    ----------
    register : sequence of RegisteredTree
        All positions of one block. Pollinizers are left out of the draw; gaps are not.
    trees : int
        Bearing trees wanted; gaps come on top as they fall.
    seed : int
        The same seed and register give the same walk.
    earlier : sequence of TreeId
        Trees of the walk before.
    hand_counts : int
        Stops to be counted by hand, spread evenly over the bearing trees of the walk.
    without : collection of TreeId
        Trees that are not drawn: those of a walk that gets more.

    Raises
    ------
    FieldDataError
        If fewer than 1 or more trees are wanted than bear, fewer than 0 hand counts, or the
        register is of several blocks.
    """
    places = {item.tree: item for item in register if item.kind is not TreeKind.POLLINIZER}
    frame = {tree: item for tree, item in places.items() if tree not in without}
    _check(frame, trees)
    if hand_counts < 0:
        raise FieldDataError(
            f"{hand_counts} trees can't be counted by hand.", fix="Ask for 0 or more."
        )
    way = serpentine(list(places))
    before = set(earlier)
    rng = np.random.default_rng(seed)
    drawn: set[TreeId] = set()
    for name, wanted in _allocate(list(frame.values()), trees).items():
        part = [tree for tree in way if tree in frame and frame[tree].stratum == name]
        # Gaps are drawn too: more positions, so that as many bearing trees come out as wanted.
        bearing = sum(frame[tree].kind is not TreeKind.MISSING for tree in part)
        drawn_here = round(wanted * len(part) / bearing)
        known = [tree for tree in part if tree in before]
        again = _every_kth(known, min(drawn_here // 2, len(known)), rng)
        fresh = [tree for tree in part if tree not in before]
        new = _every_kth(fresh, min(drawn_here - len(again), len(fresh)), rng)
        drawn |= {*again, *new}
    ends = _row_ends(way)
    stops_in_order = [tree for tree in way if tree in drawn]
    stops = [
        PlannedPlace(
            tree=tree,
            kind=frame[tree].kind,
            stratum=frame[tree].stratum,
            steps=_steps(tree, stops_in_order[index - 1] if index else None, ends),
            repeat=tree in before,
        )
        for index, tree in enumerate(stops_in_order)
    ]
    return WalkPlan(
        block_id=way[0].block_id, places=_with_hand_counts(stops, hand_counts), seed=seed
    )


def _check(frame: dict[TreeId, RegisteredTree], trees: int) -> None:
    blocks = sorted({tree.block_id for tree in frame})
    if len(blocks) > 1:
        raise FieldDataError(
            f"The register holds several blocks: {', '.join(blocks)}.", fix="Plan one at a time."
        )
    bearing = sum(item.kind is not TreeKind.MISSING for item in frame.values())
    if not bearing:
        raise FieldDataError(
            "The register has no bearing tree.", fix="Enter the block's rows and positions."
        )
    if trees < 1:
        raise FieldDataError(f"A walk of {trees} trees is none.", fix="Ask for at least 1 tree.")
    if trees > bearing:
        raise FieldDataError(
            f"{trees} trees are wanted, but {blocks[0]} has {bearing} bearing trees.",
            fix=f"Ask for {bearing} or fewer.",
        )


def _allocate(register: Sequence[RegisteredTree], trees: int) -> dict[str, int]:
    """Trees of each stratum: in proportion (largest remainders), two at least where they stand."""
    bearing: dict[str, int] = {}
    for item in register:
        bearing.setdefault(item.stratum, 0)
        bearing[item.stratum] += item.kind is not TreeKind.MISSING
    bearing = {name: count for name, count in bearing.items() if count}
    least = {name: min(FEWEST_IN_STRATUM, count) for name, count in bearing.items()}
    spare = max(0, trees - sum(least.values()))
    total = sum(bearing.values())
    ideal = {name: max(0.0, trees * count / total - least[name]) for name, count in bearing.items()}
    scale = spare / sum(ideal.values()) if sum(ideal.values()) > 0 else 0.0
    shares = {name: least[name] + int(value * scale) for name, value in ideal.items()}
    by_remainder = sorted(ideal, key=lambda name: int(ideal[name] * scale) - ideal[name] * scale)
    for name in by_remainder[: trees - sum(shares.values())]:
        shares[name] += 1
    return {name: min(count, bearing[name]) for name, count in shares.items()}


def _every_kth(way: Sequence[TreeId], wanted: int, rng: np.random.Generator) -> list[TreeId]:
    """So many of the way at equal steps from a random start; a step need be no whole number."""
    if wanted == 0:
        return []
    step = len(way) / wanted
    start = rng.uniform(0.0, step)
    return [way[int(start + step * index)] for index in range(wanted)]


def _row_ends(way: Sequence[TreeId]) -> dict[int, int]:
    """Position at which each row is entered."""
    ends: dict[int, int] = {}
    for tree in way:
        ends.setdefault(tree.row, tree.position)
    return ends


def _steps(tree: TreeId, before: TreeId | None, ends: dict[int, int]) -> int:
    if before is not None and before.row == tree.row:
        return abs(tree.position - before.position)
    return abs(tree.position - ends[tree.row]) + 1


def _with_hand_counts(places: Sequence[PlannedPlace], wanted: int) -> tuple[PlannedPlace, ...]:
    bearing = [index for index, place in enumerate(places) if place.kind is not TreeKind.MISSING]
    count = min(wanted, len(bearing))
    chosen = {bearing[int((number + 0.5) * len(bearing) / count)] for number in range(count)}
    return tuple(
        replace(place, count_by_hand=index in chosen) for index, place in enumerate(places)
    )

"""Walks through a block: the stops that were drawn, and the walk that is being walked."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fruitvision.domain.field import TreeId, TreeKind


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPlace:
    """One stop of a walk.

    `steps` : positions from the stop before in the same row, or from the end of the row where it
    is entered; `repeat` : it was on the earlier walk; `count_by_hand` : count all its fruit.
    """

    tree: TreeId
    kind: TreeKind
    stratum: str
    steps: int
    repeat: bool = False
    count_by_hand: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkPlan:
    """The stops of one walk through a block, in the order of the way, and the seed of the draw."""

    block_id: str
    places: tuple[PlannedPlace, ...]
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptWalk:
    """A walk that was drawn and is being walked, by whom and since when.

    `row_lengths` : positions of rows 1, 2, ... where the block has no register, for a later draw.
    """

    plan: WalkPlan
    drawn_on: date
    drawn_by: str = ""
    row_lengths: tuple[int, ...] = ()

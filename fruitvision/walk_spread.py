"""Whether the photographed trees stand all over their block, and what it costs if not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from fruitvision.domain import Block, RegisteredTree, TreeId

# Share of the variance of fruit per tree that lies between rows: row correlation of the yields of
# 187 apple trees (agridat strickland.apple.uniformity).
ROW_CORRELATION = 0.18
# Trees that span less than this share of the rows, or of the places along a row, stand in one part
# of the block. Our choice: eight trees drawn at random span less in 3 of 1,000 walks.
SMALLEST_SPAN = 1 / 3
# Fewer trees can't tell: three drawn at random often stand near each other.
TREES_TO_TELL = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkSpread:
    """Where the trees of a walk stand.

    `rows` of the block; `rows_seen` is the number of equally often visited rows that would tell as
    much as those visited; the spans are shares of the rows and of the longest row.
    """

    trees: int
    rows: int
    rows_seen: float
    row_span: float
    place_span: float

    @property
    def is_spread(self) -> bool:
        """Whether the walk reached enough of the block."""
        return self.trees < TREES_TO_TELL or min(self.row_span, self.place_span) >= SMALLEST_SPAN

    @property
    def missed_rows(self) -> float:
        """Variance of the mean from rows that were not seen, relative to that between trees.

        c/(1 − c)·(1/r − 1/R) with c the row correlation, r rows seen and R rows of the block: trees
        of a few rows show the spread within rows only. 0 for a walk that is spread, whose trees
        show the spread between rows too.
        """
        if self.is_spread:
            return 0.0
        between = ROW_CORRELATION / (1 - ROW_CORRELATION)
        return between * max(0.0, 1 / self.rows_seen - 1 / self.rows)


def spread_of_walk(
    block: Block, register: Sequence[RegisteredTree], trees: Sequence[TreeId]
) -> WalkSpread:
    """Where photographed trees stand in their block.

    Without a register the rows are taken to be as long as the largest place number seen.
    """
    rows = [place.tree.row for place in register] or [tree.row for tree in trees]
    places = [place.tree.position for place in register] or [tree.position for tree in trees]
    longest = max(*places, 1)
    count = max(rows) - min(rows) + 1
    if not register:
        count = max(count, -(-block.positions // longest))
    per_row = Counter(tree.row for tree in trees)
    return WalkSpread(
        trees=len(trees),
        rows=count,
        rows_seen=len(trees) ** 2 / sum(seen**2 for seen in per_row.values()),
        row_span=_span([tree.row for tree in trees]) / count,
        place_span=_span([tree.position for tree in trees]) / longest,
    )


def _span(numbers: Sequence[int]) -> int:
    return max(numbers) - min(numbers) + 1

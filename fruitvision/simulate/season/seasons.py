"""Many seasons without pictures: one line per season and block."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from fruitvision.simulate.season.plan import BlockPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonRow:
    """One block in one season: its truth, and what a walk saw of it."""

    season: int
    seed: int
    block_id: str


def run_seasons(
    plans: Sequence[BlockPlan], seasons: int, seed: int, *, workers: int = 1
) -> Iterator[SeasonRow]:
    """Draw, walk and harvest `seasons` seasons of the farm, one row per season and block.

    Season 0 is `draw_season(seed, plans)`, season 1 that of `seed + 1`, and so on.

    Raises
    ------
    SimulationError
        If `seasons`, `seed` or `workers` is out of range, or plans share a letter.
    """
    raise NotImplementedError


def season_lines(rows: Iterable[SeasonRow]) -> list[str]:
    """A plain table per block: mean and P10-P90 over the seasons."""
    raise NotImplementedError


def write_season_rows(rows: Iterable[SeasonRow], path: Path) -> Path:
    """Write the rows as CSV, one line per season and block."""
    raise NotImplementedError

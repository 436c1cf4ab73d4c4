"""A row of the bench: what was timed, and what it should take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """Seconds that something took, on the clock and of this process's processor.

    `processor_s` is None where it is another process that works. Nothing else tells how busy the
    computer was: on a quiet one the two are alike. `target_s` is None where none is set.
    """

    what: str
    wall_s: float
    processor_s: float | None
    target_s: float | None

    @property
    def met(self) -> bool:
        """Whether it took less than it should."""
        return self.target_s is None or self.wall_s < self.target_s


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedPages:
    """Rows of all pages, and the names of the modules that they loaded."""

    rows: tuple[Row, ...]
    loaded: tuple[str, ...]


def table_lines(rows: Sequence[Row]) -> list[str]:
    """The rows as a table in plain text."""
    width = max(len(row.what) for row in rows)
    lines = [f"{'':<{width}}  {'seconds':>8}  {'processor':>9}  {'target':>6}"]
    for row in rows:
        processor = "" if row.processor_s is None else f"{row.processor_s:.2f}"
        target = "" if row.target_s is None else f"{row.target_s:.1f}"
        missed = "" if row.met else "  MISSED"
        figures = f"{row.wall_s:>8.2f}  {processor:>9}  {target:>6}{missed}"
        lines.append(f"{row.what:<{width}}  {figures}")
    return lines

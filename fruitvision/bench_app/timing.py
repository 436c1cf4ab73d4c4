"""A row of the bench: what was timed, and what it should take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """Seconds that something took, on the clock and of this process's processor.

    `processor_s` is None where it is another process that works. Nothing else tells how busy the
    computer was: on a quiet one the two are alike. `peak_mb` is the memory of the largest process
    at its peak, None where it was not looked at. Targets are None where none is set.
    """

    what: str
    wall_s: float
    processor_s: float | None
    target_s: float | None
    peak_mb: float | None = None
    target_mb: float | None = None

    @property
    def met(self) -> bool:
        """Whether it took less than it should."""
        return _below(self.wall_s, self.target_s) and _below(self.peak_mb, self.target_mb)


def _below(value: float | None, target: float | None) -> bool:
    """Whether a value is below its target; what was not looked at or set is no miss."""
    return value is None or target is None or value < target


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedPages:
    """Rows of all pages, and the names of the modules that they loaded."""

    rows: tuple[Row, ...]
    loaded: tuple[str, ...]


def table_lines(rows: Sequence[Row]) -> list[str]:
    """The rows as a table in plain text; memory where one of them has it."""
    width = max(len(row.what) for row in rows)
    memory = any(row.peak_mb is not None for row in rows)
    heading = f"{'':<{width}}  {'seconds':>8}  {'processor':>9}  {'target':>6}"
    lines = [f"{heading}  {'peak MB':>8}  {'target':>6}" if memory else heading]
    for row in rows:
        figures = f"{row.wall_s:>8.2f}  {_number(row.processor_s, 2, 9)}"
        figures += f"  {_number(row.target_s, 1, 6)}"
        if memory:
            figures += f"  {_number(row.peak_mb, 0, 8)}  {_number(row.target_mb, 0, 6)}"
        missed = "" if row.met else "  MISSED"
        lines.append(f"{row.what:<{width}}  {figures}{missed}")
    return lines


def _number(value: float | None, digits: int, width: int) -> str:
    """A number, or room for one."""
    return f"{'' if value is None else f'{value:.{digits}f}':>{width}}"

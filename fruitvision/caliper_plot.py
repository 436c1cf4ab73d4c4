"""Photo mm against caliper mm as an SVG picture: a dot a fruit, the 1:1 line, the fitted line."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from fruitvision.caliper_check import MatchedPair
from fruitvision.domain import CaliperCheck
from fruitvision.whole_file import write_whole

Checked = tuple[Sequence[MatchedPair], CaliperCheck]

# Side of the square that holds the dots, and room around it, px. Our choice: half a page.
SIDE_PX = 420.0
LEFT_PX, TOP_PX, BELOW_PX = 70.0, 50.0, 60.0
STEP_MM = 5.0
_INK, _DOT, _FIT = "#3f3528", "#7a3b2e", "#5b7d87"


def caliper_plot(walks: Sequence[Checked]) -> str:
    """The picture as SVG text; dots of all walks, the fit of each."""
    low, high = plot_limits_mm([pair for pairs, _ in walks for pair in pairs])
    scale = SIDE_PX / (high - low)

    def x(mm: float) -> float:
        return LEFT_PX + (mm - low) * scale

    def y(mm: float) -> float:
        return TOP_PX + SIDE_PX - (mm - low) * scale

    def line(first: float, last: float, ends: tuple[float, float], look: str) -> str:
        return (
            f'<line x1="{x(first):.1f}" y1="{y(ends[0]):.1f}" x2="{x(last):.1f}" '
            f'y2="{y(ends[1]):.1f}" {look}/>'
        )

    def words(at: tuple[float, float], text: str, more: str = "") -> str:
        return f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" text-anchor="middle"{more}>{text}</text>'

    middle = LEFT_PX + SIDE_PX / 2
    parts = [words((middle, TOP_PX - 28), "Photo against caliper, one dot a fruit")]
    parts.append(words((middle, TOP_PX - 10), "broken: equal; full: the fit"))
    for mm in np.arange(low, high + 1e-9, STEP_MM):
        grid = 'stroke="#ddd5c8" stroke-width="1"'
        parts.append(line(mm, mm, (low, high), grid))
        parts.append(line(low, high, (mm, mm), grid))
        parts.append(words((x(mm), y(low) + 18), f"{mm:.0f}"))
        parts.append(words((LEFT_PX - 18, y(mm) + 5), f"{mm:.0f}"))
    parts.append(words((middle, TOP_PX + SIDE_PX + 44), "Caliper, mm"))
    side = (20.0, TOP_PX + SIDE_PX / 2)
    parts.append(words(side, "Photo, mm", f' transform="rotate(-90 {side[0]:.1f} {side[1]:.1f})"'))
    parts.append(
        line(low, high, (low, high), f'stroke="{_INK}" stroke-width="1.5" stroke-dasharray="6 4"')
    )
    for pairs, check in walks:
        if check.pairs:
            first = min(pair.caliper_mm for pair in pairs)
            last = max(pair.caliper_mm for pair in pairs)
            ends = (check.photo_mm(first), check.photo_mm(last))
            parts.append(line(first, last, ends, f'stroke="{_FIT}" stroke-width="2.5"'))
        parts += [
            f'<circle cx="{x(pair.caliper_mm):.1f}" cy="{y(pair.photo_mm):.1f}" r="4.5" '
            f'fill="{_DOT}" fill-opacity="0.85"/>'
            for pair in pairs
        ]
    width, height = LEFT_PX + SIDE_PX + 20, TOP_PX + SIDE_PX + BELOW_PX
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'font-family="sans-serif" font-size="14" fill="{_INK}">\n'
        + "\n".join(parts)
        + "\n</svg>\n"
    )


def plot_limits_mm(pairs: Sequence[MatchedPair]) -> tuple[float, float]:
    """Limits of both axes, multiples of 5 mm that hold every dot."""
    values = [value for pair in pairs for value in (pair.photo_mm, pair.caliper_mm)] or [70.0]
    low = STEP_MM * np.floor((min(values) - 1) / STEP_MM)
    high = STEP_MM * np.ceil((max(values) + 1) / STEP_MM)
    return float(low), float(high)


def write_caliper_plot(walks: Sequence[Checked], path: Path) -> None:
    """Write the picture, whole or not at all.

    Raises
    ------
    OSError
        If the file can't be written.
    """
    write_whole(path, caliper_plot(walks).encode())

"""Words that all reports share: a range, doubts, what was left out, photos."""

from __future__ import annotations

from collections.abc import Sequence

from fruitvision.domain import Doubts, Estimate
from fruitvision.pipeline.photos import Measured, Refused
from fruitvision.unit_system import Unit

# Printed under every forecast.
CAUTION = (
    "A forecast, not an offer: check it against your own counts before you promise fruit. "
    "Follow labels, local rules and licensed advisers."
)


def range_words(estimate: Estimate | None, *, digits: int = 0, unit: str = "") -> str:
    """`71 (68–74) mm`: P50, and P10 to P90 in brackets."""
    if estimate is None:
        return "not known"
    low, mid, high = (f"{value:,.{digits}f}" for value in three(estimate))
    return f"{mid} ({low}–{high}){' ' if unit else ''}{unit}"


def named_words(estimate: Estimate | None, what: str) -> str:
    """`19 (16–23) bins`, or that they are not known."""
    return f"{what} not known" if estimate is None else f"{range_words(estimate)} {what}"


def unit_words(estimate: Estimate | None, unit: Unit, *, digits: int = 0) -> str:
    """`2.80 (2.68–2.91) in`: a metric number in a user's unit; `digits` are those of the metric
    one."""
    shown = unit.shown_range(estimate)
    return range_words(shown, digits=unit.decimals(digits), unit=unit.symbol)


def three(estimate: Estimate) -> tuple[float, float, float]:
    """P10, P50, P90."""
    return estimate.p10, estimate.p50, estimate.p90


def many(number: float, what: str, plural: str = "") -> str:
    """`1 tree`, `12 trees`, `12,345.5 bins`. `plural` : of words that take more than an s."""
    shown = f"{number:,}" if isinstance(number, int) else f"{number:,.10g}"
    return f"{shown} {what if number == 1 else plural or f'{what}s'}"


def doubt_lines(doubts: Doubts) -> list[str]:
    """One indented line for each doubt."""
    return [f"  ! {doubt.words}" for doubt in doubts]


def measured_lines(measured: Measured) -> list[str]:
    """One line a photo, then copies, refusals and remarks."""
    lines = []
    for photo in measured.photos:
        sized = sum(fruit.diameter_mm is not None for fruit in photo.fruit)
        lines.append(f"{photo.photo.name}: {photo.fruit_count} fruit, {sized} sized")
        lines += doubt_lines(photo.doubts)
        lines += [f"  ! {remark}" for remark in photo.remarks]
    lines += [f"{copy} is the same photo as {first}: used once." for copy, first in measured.copies]
    return lines + refused_lines(measured.refused)


def refused_lines(refused: Sequence[Refused]) -> list[str]:
    """What was left out, why, and what to do."""
    return [f"Left out: {item}" for item in refused]

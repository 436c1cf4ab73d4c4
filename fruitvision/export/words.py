"""Sentences and small forms that all exports share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import Protocol, TypeVar

from fruitvision.domain import Doubts, Forecast, merge_doubts
from fruitvision.errors import StoreError
from fruitvision.whole_file import fix_of, write_whole

NOTE = "forecast, not an offer"

HOW_TO_READ = (
    "P50: even chance that the truth lies below. P10: one chance in ten that it lies below. "
    "P90: one in ten that it lies above. P10s of rows do not add up to the P10 of their sum."
)

CAUTIONS = (
    "A forecast is no promise and no offer: weather, drop, pests and picking can change the crop.",
    "It says size, not grade: colour, russet, bruises and disorders are not in it.",
    "Follow local rules, product labels and the advice of licensed advisers.",
    "In the orchard mind machinery, ladders, re-entry periods and heat.",
)


def note_of(forecast: Forecast, moved: Sequence[str] = ()) -> str:
    """What every row says of itself; a what-if says so first, and so does a forecast of whose
    blocks the farm's passes are others (`moved`, their names): its weeks are not the farm's."""
    first = f"what if: {forecast.what_if}; " if forecast.what_if else ""
    return f"{first}{_moved_note(moved)}{NOTE}"


def _moved_note(moved: Sequence[str]) -> str:
    return (
        f"picks are planned otherwise, weeks are the forecast's: {', '.join(moved)}; "
        if moved
        else ""
    )


def pick_week(day: date | None) -> str:
    """ISO week of a day, such as 2026-W36; empty without a day."""
    if day is None:
        return ""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


class _OfClass(Protocol):
    @property
    def size_class(self) -> str: ...


OfClass = TypeVar("OfClass", bound=_OfClass)


def large_first(rows: Iterable[OfClass]) -> list[OfClass]:
    """Rows by class, small fruit first, in the order of the page of sales: large fruit first, all
    classes together last."""
    # Not above: a photo's measurements are written with the words here, and need no forecast.
    from fruitvision.forecast.summary import ALL

    backwards = list(rows)[::-1]
    return sorted(backwards, key=lambda row: row.size_class == ALL)


def doubt_codes(doubts: Doubts) -> str:
    """Codes joined by ';'."""
    return ";".join(doubts)


def doubt_words(doubts: Doubts) -> str:
    """Sentences joined by a space."""
    return " ".join(doubt.words for doubt in doubts)


def all_doubts(forecast: Forecast) -> Doubts:
    """Every doubt of every crop, once."""
    crops = (*forecast.blocks, *forecast.varieties, forecast.total)
    return merge_doubts(*(crop.doubts for crop in crops))


def save(path: Path, content: bytes) -> None:
    """Write an export file whole.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    try:
        write_whole(path, content)
    except OSError as err:
        raise StoreError(
            f"Can't write {path}: {err.strerror}.",
            fix=fix_of(err, "Close the file if it is open elsewhere, or choose another folder."),
        ) from err

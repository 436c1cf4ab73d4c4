"""Figures as a table to read and as a document to keep."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from fruitvision.evaluate.average_precision import Rates
from fruitvision.evaluate.figures import (
    AtOverlap,
    Figures,
    count_error_percent,
    counted,
    figures_of,
    worst_first,
)
from fruitvision.evaluate.matching import NOTHING, USUAL
from fruitvision.evaluate.outlines import OutlineFigures
from fruitvision.evaluate.run import LeftOut, PhotoResult

# What a reader has to know to read the figures.
NOTES = (
    "Neither right nor wrong: finds on cut boxes, on fruit of rows behind, on fruit of this row of "
    "which less than a fifth is seen, on fallen fruit and on crowds. What the detector says is of "
    "a row behind, and what lies in a grey gap, is left out. A find on a ball is false.",
    "Overlap is intersection over union of the boxes of what is seen. AP is COCO's, of one class. "
    "The best F1 is chosen on these very photos; its threshold is in brackets.",
)

Row = tuple[str, Callable[[Figures], str]]


def table_lines(columns: Mapping[str, Figures]) -> list[str]:
    """One column for each name, one line for each figure that any of them has."""
    rows = [*_ROWS]
    if any(figures.outlines for figures in columns.values()):
        rows += _OUTLINE_ROWS
    cells = [[label, *(value(one) for one in columns.values())] for label, value in rows]
    table = [["", *columns], *cells]
    widths = [max(len(row[index]) for row in table) for index in range(len(table[0]))]
    return [
        "  ".join(
            [row[0].ljust(widths[0])]
            + [cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)]
        ).rstrip()
        for row in table
    ]


def _best(rates: Rates) -> str:
    at = "" if rates.threshold is None else f" ({rates.threshold:.2f})"
    return f"{_share(rates.f1)}{at}"


def _share(value: float | None) -> str:
    return "–" if value is None else f"{value:.3f}"


def _percent(value: float | None, *, sign: bool = False) -> str:
    if value is None:
        return "–"
    return f"{value:+.1f} %" if sign else f"{value:.1f} %"


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def _at(label: str, at: Callable[[Figures], AtOverlap]) -> tuple[Row, ...]:
    return (
        (f"best F1, overlap {label}", lambda one: _best(at(one).best)),
        (f"F1 at own threshold, overlap {label}", lambda one: _best(at(one).own)),
        ("  precision", lambda one: _share(at(one).own.precision)),
        ("  recall", lambda one: _share(at(one).own.recall)),
    )


_ROWS: tuple[Row, ...] = (
    ("photos", lambda one: f"{one.photos:,}"),
    ("fruit to find", lambda one: f"{one.wanted:,}"),
    ("AP50", lambda one: _share(one.ap50)),
    ("AP75", lambda one: _share(one.ap75)),
    *_at("0.5", lambda one: one.usual),
    *_at("0.2", lambda one: one.there),
    ("count error per photo, bias", lambda one: _percent(one.count.bias_percent, sign=True)),
    ("  mean absolute", lambda one: _percent(one.count.mean_absolute_percent)),
    ("false fruit per photo", lambda one: _number(one.false_per_photo)),
    ("seconds per photo, median", lambda one: _number(one.seconds_per_photo)),
)


def _of_outlines(value: Callable[[OutlineFigures], str]) -> Callable[[Figures], str]:
    return lambda one: "–" if one.outlines is None else value(one.outlines)


_OUTLINE_ROWS: tuple[Row, ...] = (
    ("outline overlap, full", _of_outlines(lambda one: _share(one.outline_overlap))),
    ("visible share, mean abs. error", _of_outlines(lambda one: _share(one.visible_share_error))),
    ("this row or behind, right", _of_outlines(lambda one: _share(one.row_told_right))),
    ("  of this row", _of_outlines(lambda one: _share(one.this_row_told_right))),
    ("  of rows behind", _of_outlines(lambda one: _share(one.row_behind_told_right))),
    ("balls called fruit", _of_outlines(lambda one: _share(one.balls_called_fruit))),
)


def by_kind(results: Sequence[PhotoResult], threshold: float) -> dict[str, Figures]:
    """Figures of all photos and, where there are several kinds of fruit, of each kind."""
    kinds = sorted({one.truth.kind for one in results})
    columns = {"all": figures_of(results, threshold)}
    if len(kinds) > 1:
        for kind in kinds:
            chosen = [one for one in results if one.truth.kind == kind]
            columns[kind or "without fruit"] = figures_of(chosen, threshold)
    return columns


def document(
    detector: Mapping[str, Any],
    results: Sequence[PhotoResult],
    left_out: Sequence[LeftOut],
    threshold: float,
) -> str:
    """All figures as JSON text, the photos with the lowest F1 first.

    Parameters
    ----------
    detector : mapping
        What it was: its name, version and so on.
    results : sequence of PhotoResult
    left_out : sequence of LeftOut
    threshold : float
    """
    content = {
        "detector": {**detector, "threshold": threshold},
        "notes": list(NOTES),
        "figures": {
            kind: _figures(figures) for kind, figures in by_kind(results, threshold).items()
        },
        "photos": [_photo(one, threshold) for one in worst_first(results, threshold)],
        "left_out": [asdict(one) for one in left_out],
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _figures(figures: Figures) -> dict[str, Any]:
    return {
        "photos": figures.photos,
        "fruit": figures.wanted,
        "ap50": figures.ap50,
        "ap75": figures.ap75,
        "overlap_0.5": _at_overlap(figures.usual),
        "overlap_0.2": _at_overlap(figures.there),
        "count": asdict(figures.count),
        "false_per_photo": figures.false_per_photo,
        "seconds_per_photo": figures.seconds_per_photo,
        "outlines": asdict(figures.outlines) if figures.outlines else None,
    }


def _at_overlap(at: AtOverlap) -> dict[str, Any]:
    return {"best": _rates(at.best), "own": _rates(at.own)}


def _rates(rates: Rates) -> dict[str, Any]:
    return {
        **asdict(rates),
        "precision": rates.precision,
        "recall": rates.recall,
        "f1": rates.f1,
    }


def _photo(result: PhotoResult, threshold: float) -> dict[str, Any]:
    matches = result.matches[USUAL]
    found = np.unique(matches.fruit[result.sure & (matches.fruit != NOTHING)])
    wanted = np.flatnonzero(~result.truth.ignored)
    wrong = result.sure & ~matches.right & ~matches.ignored
    return {
        "name": result.truth.name,
        "kind": result.truth.kind,
        "counted": counted(result),
        "count_error_percent": count_error_percent(result),
        "mm_per_px": result.mm_per_px,
        **_figures(figures_of([result], threshold)),
        "missed_boxes": result.truth.boxes[np.setdiff1d(wanted, found)].round(1).tolist(),
        "false_boxes": result.boxes[wrong].round(1).tolist(),
    }

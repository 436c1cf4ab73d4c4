"""What the network gives for every cell of 4 x 4 px, and how fruit are read from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Cells = NDArray[np.float32]

STRIDE_PX = 4
# The network halves the picture five times.
MULTIPLE_PX = 32

THIS_ROW, ROW_BEHIND = 0, 1
BOX = slice(2, 6)
OUTLINE = slice(6, 11)
VISIBLE_SHARE = 11
FRUIT_PIXEL = 12
VOTE = slice(13, 15)
CHANNELS = 15

# Two peaks nearer than this are one: 3 x 3 cells. Common practice for heat maps of centres
# (Zhou, Wang & Krähenbühl 2019, Objects as points, arXiv:1904.07850).
PEAK_CELLS = 3
# Logarithms of lengths are cut here: half axes of 0.4 px to 3 000 px.
LOG_LIMITS = (-2.3, 6.6)


# Outlines are nearly the same if their centres are nearer than this share of the width and the
# widths differ by less than this factor. Our choice: fruit that touch are half a width apart, but
# of one behind another as little as 0.25 lies between the centres (val rows of the row photos).
SAME_CENTRE, SAME_WIDTH = 0.2, 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Peaks:
    """Fruit as the network gives them, one row each, in px of its input.

    `boxes` (N, 4) left, top, right, bottom of the visible part; `outlines` (N, 5) as in
    `Detections`; `visible_shares`, `scores` (chance of a fruit of this row, not yet calibrated),
    `behind_scores` (the same of a row behind), all (N,); `cells` (N, 2) row and column.
    """

    boxes: Floats
    outlines: Floats
    visible_shares: Floats
    scores: Floats
    behind_scores: Floats
    cells: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.scores)

    def take(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> Peaks:
        """Those of an index or mask, in its order."""
        return Peaks(
            boxes=self.boxes[index],
            outlines=self.outlines[index],
            visible_shares=self.visible_shares[index],
            scores=self.scores[index],
            behind_scores=self.behind_scores[index],
            cells=self.cells[index],
        )


def decode(cells: Cells, *, least_score: float) -> Peaks:
    """Peaks of the two heat maps, best first.

    Parameters
    ----------
    cells : (CHANNELS, h, w) float32
        The network's output for one picture of 4h x 4w px.
    least_score : float
        Peaks below this in both heat maps are dropped.

    Returns
    -------
    Peaks
        Near duplicates are still in: see `drop_duplicates`.
    """
    heat = np.maximum(cells[THIS_ROW], cells[ROW_BEHIND])
    around = cv2.dilate(heat, np.ones((PEAK_CELLS, PEAK_CELLS), np.uint8))
    found = (heat >= around) & (heat >= _logit(least_score))
    rows, columns = np.nonzero(found)
    order = np.lexsort((columns, rows, -heat[rows, columns]))
    rows, columns = rows[order], columns[order]
    at = cells[:, rows, columns].astype(np.float64)
    return Peaks(
        boxes=_boxes(at, rows, columns),
        outlines=_outlines(at, rows, columns),
        visible_shares=_logistic(at[VISIBLE_SHARE]),
        scores=_logistic(at[THIS_ROW]),
        behind_scores=_logistic(at[ROW_BEHIND]),
        cells=np.column_stack([rows, columns]).astype(np.int64),
    )


def cell_centres_px(cells: NDArray[np.int64] | NDArray[np.intp]) -> Floats:
    """Px of the centres of cells given by row or column."""
    return np.asarray(cells * STRIDE_PX + (STRIDE_PX - 1) / 2, dtype=np.float64)


def _boxes(at: Floats, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Floats:
    x, y = cell_centres_px(columns), cell_centres_px(rows)
    left, top, right, bottom = STRIDE_PX * np.exp(np.clip(at[BOX], *LOG_LIMITS))
    return np.column_stack([x - left, y - top, x + right, y + bottom])


def _outlines(at: Floats, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Floats:
    dx, dy, size, along, across = at[OUTLINE]
    longer = np.hypot(along, across)
    long_px = 2 * STRIDE_PX * np.exp(np.clip(size + longer, *LOG_LIMITS))
    short_px = 2 * STRIDE_PX * np.exp(np.clip(size - longer, *LOG_LIMITS))
    direction_deg = np.rad2deg(np.arctan2(across, along)) / 2
    return np.column_stack(
        [
            cell_centres_px(columns) + STRIDE_PX * dx,
            cell_centres_px(rows) + STRIDE_PX * dy,
            long_px,
            short_px,
            direction_deg,
        ]
    )


def drop_duplicates(boxes: Floats, order: Floats, *, most_overlap: float) -> NDArray[np.int64]:
    """Indices of boxes that no better one overlaps by more than `most_overlap` (IoU), best first.

    Parameters
    ----------
    boxes : (N, 4) float
        Left, top, right, bottom.
    order : (N,) float
        Higher is better; ties keep the earlier one.
    most_overlap : float
        0 to 1.
    """
    ranked = np.argsort(-order, kind="stable")
    better, worse = _near_pairs(boxes[ranked])
    one_box = _paired_overlaps(boxes[ranked], better, worse) > most_overlap
    return _best_of(ranked, better[one_box], worse[one_box])


def distinct(peaks: Peaks, *, most_overlap: float) -> NDArray[np.int64]:
    """Indices of peaks that are one fruit each, best first.

    Two peaks are one fruit if their visible boxes overlap by more than `most_overlap` (IoU), or if
    their full outlines are nearly the same: a twig before a fruit parts what is seen of it.
    """
    ranked = np.argsort(-np.maximum(peaks.scores, peaks.behind_scores), kind="stable")
    boxes, outlines = peaks.boxes[ranked], peaks.outlines[ranked]
    centres, widths = outlines[:, :2], outlines[:, 2]
    # Half of SAME_CENTRE around each centre: what is nearly the same meets there at least.
    near = (SAME_CENTRE / 2 * widths)[:, None]
    better, worse = _near_pairs(
        np.column_stack(
            [np.minimum(boxes[:, :2], centres - near), np.maximum(boxes[:, 2:], centres + near)]
        )
    )
    apart = np.hypot(*(centres[worse] - centres[better]).T)
    same_outline = (apart < SAME_CENTRE * np.minimum(widths[worse], widths[better])) & (
        np.abs(np.log(widths[worse] / widths[better])) < np.log(SAME_WIDTH)
    )
    one_box = _paired_overlaps(boxes, better, worse) > most_overlap
    one = same_outline | one_box
    return _best_of(ranked, better[one], worse[one])


def _near_pairs(areas: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Earlier and later index of all areas (N, 4) that meet, in no order."""
    by_left = np.argsort(areas[:, 0], kind="stable")
    left, right = areas[by_left, 0], areas[by_left, 2]
    # Those that begin before this one ends stand behind it in a row.
    following = np.searchsorted(left, right, side="right") - np.arange(len(areas)) - 1
    following = np.maximum(following, 0)
    first = np.repeat(np.arange(len(areas)), following)
    starts = np.cumsum(following) - following
    second = first + 1 + np.arange(len(first)) - np.repeat(starts, following)
    one, other = by_left[first], by_left[second]
    meet = (areas[one, 1] <= areas[other, 3]) & (areas[other, 1] <= areas[one, 3])
    one, other = one[meet], other[meet]
    return np.minimum(one, other), np.maximum(one, other)


def _best_of(
    ranked: NDArray[np.intp], better: NDArray[np.int64], worse: NDArray[np.int64]
) -> NDArray[np.int64]:
    """The ranked ones without those that are the same as a better one which stays."""
    kept = np.ones(len(ranked), dtype=np.bool_)
    for index in np.argsort(better, kind="stable"):
        if kept[better[index]]:
            kept[worse[index]] = False
    return ranked[kept].astype(np.int64)


def joined(parts: Sequence[Peaks]) -> Peaks:
    """Peaks of several parts of a picture, best first, then from top to bottom."""
    boxes = np.concatenate([part.boxes for part in parts])
    scores = np.concatenate([part.scores for part in parts])
    behind_scores = np.concatenate([part.behind_scores for part in parts])
    cells = np.concatenate([part.cells for part in parts])
    order = np.lexsort((cells[:, 1], cells[:, 0], -np.maximum(scores, behind_scores)))
    return Peaks(
        boxes=boxes,
        outlines=np.concatenate([part.outlines for part in parts]),
        visible_shares=np.concatenate([part.visible_shares for part in parts]),
        scores=scores,
        behind_scores=behind_scores,
        cells=cells,
    ).take(order)


def overlaps(box: Floats, boxes: Floats) -> Floats:
    """(N,) intersection over union of one box (4,) with boxes (N, 4)."""
    return _intersection_over_union(np.broadcast_to(box, boxes.shape), boxes)


def _paired_overlaps(boxes: Floats, one: NDArray[np.int64], other: NDArray[np.int64]) -> Floats:
    return _intersection_over_union(boxes[one], boxes[other])


def _intersection_over_union(one: Floats, other: Floats) -> Floats:
    """(N,) of the boxes (N, 4) in two lists."""
    width = np.minimum(one[:, 2], other[:, 2]) - np.maximum(one[:, 0], other[:, 0])
    height = np.minimum(one[:, 3], other[:, 3]) - np.maximum(one[:, 1], other[:, 1])
    common = np.clip(width, 0, None) * np.clip(height, 0, None)
    areas = [(each[:, 2] - each[:, 0]) * (each[:, 3] - each[:, 1]) for each in (one, other)]
    return np.asarray(common / (areas[0] + areas[1] - common), dtype=np.float64)


def _logistic(logit: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(logit, -30, 30))), dtype=np.float64)


def _logit(share: float) -> float:
    return float(np.log(share / (1.0 - share)))

"""Full outlines, visible shares and rows against a truth that has them: rendered photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.evaluate.matching import NOTHING, match, overlaps_of
from fruitvision.evaluate.truth import LEAST_VISIBLE_SHARE, TruthPhoto
from fruitvision.fruit.detector import Detections

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Overlap of boxes from which a detection stands for a fruit here: the usual one.
FOUND_OVERLAP = 0.5
# A ball is called fruit from this overlap on, if the detection stands for no real fruit. Our
# choice: low, so that a loose box on a ball counts too.
BALL_OVERLAP = 0.2
# Lines across two ellipses: their overlap is then right to 1e-4. Measured on random pairs.
LINES = 256


@dataclass(frozen=True, slots=True, eq=False)
class OutlineResult:
    """Of the fruit that were found in one photo.

    Parameters
    ----------
    overlaps : (N,) float
        Intersection over union of full outlines, of wanted fruit.
    share_errors : (N,) float
        Visible share found minus true, of wanted fruit.
    on_this_row, said_this_row : (M,) bool
        Truth and answer, of fruit of any row.
    balls, balls_called_fruit : int
    """

    overlaps: Floats
    share_errors: Floats
    on_this_row: Flags
    said_this_row: Flags
    balls: int
    balls_called_fruit: int


@dataclass(frozen=True, slots=True)
class OutlineFigures:
    """The same over all photos; None where nothing was found to take it from.

    `fruit` : wanted ones found, of which outline and visible share are; `this_row`, `row_behind` :
    found ones of either row, of which the rows are.
    """

    fruit: int
    this_row: int
    row_behind: int
    outline_overlap: float | None
    visible_share_error: float | None
    row_told_right: float | None
    this_row_told_right: float | None
    row_behind_told_right: float | None
    balls: int
    balls_called_fruit: float | None


def outline_result(found: Detections, boxes: Floats, truth: TruthPhoto) -> OutlineResult | None:
    """Compare what a detector gives at its own threshold, rows behind included.

    Parameters
    ----------
    found : Detections
    boxes : (N, 4) float
        Theirs, counted at edges of pixels.
    truth : TruthPhoto

    Returns
    -------
    OutlineResult or None
        None if the truth has no outlines.
    """
    single = np.flatnonzero(truth.hanging & np.isfinite(truth.outlines).all(axis=1))
    if not len(single):
        return None
    none = np.zeros(len(single), dtype=np.bool_)
    overlap = overlaps_of(boxes, truth.boxes[single], none)
    stands = match(overlap, found.scores, none, none, least_overlap=FOUND_OVERLAP).fruit
    matched = np.flatnonzero(stands != NOTHING)
    fruit = single[stands[matched]]
    wanted = truth.on_this_row[fruit] & (truth.visible_shares[fruit] >= LEAST_VISIBLE_SHARE)
    return OutlineResult(
        overlaps=ellipse_overlaps(found.outlines[matched[wanted]], truth.outlines[fruit[wanted]]),
        share_errors=found.visible_shares[matched[wanted]] - truth.visible_shares[fruit[wanted]],
        on_this_row=truth.on_this_row[fruit],
        said_this_row=found.on_this_row[matched],
        balls=len(truth.balls),
        balls_called_fruit=_balls_called_fruit(
            boxes[(stands == NOTHING) & found.on_this_row], truth.balls
        ),
    )


def _balls_called_fruit(boxes: Floats, balls: Floats) -> int:
    overlap = overlaps_of(boxes, balls, np.zeros(len(balls), dtype=np.bool_))
    return int((overlap >= BALL_OVERLAP).any(axis=0).sum())


def outline_figures(results: Sequence[OutlineResult]) -> OutlineFigures | None:
    """Means over all photos; None without any."""
    if not results:
        return None
    errors = np.abs(np.concatenate([one.share_errors for one in results]))
    truth = np.concatenate([one.on_this_row for one in results])
    right = truth == np.concatenate([one.said_this_row for one in results])
    balls = sum(one.balls for one in results)
    called = sum(one.balls_called_fruit for one in results)
    return OutlineFigures(
        fruit=len(errors),
        this_row=int(truth.sum()),
        row_behind=int((~truth).sum()),
        outline_overlap=_mean(np.concatenate([one.overlaps for one in results])),
        visible_share_error=_mean(errors),
        row_told_right=_mean(right),
        this_row_told_right=_mean(right[truth]),
        row_behind_told_right=_mean(right[~truth]),
        balls=balls,
        balls_called_fruit=called / balls if balls else None,
    )


def _mean(values: Floats | Flags) -> float | None:
    return float(values.mean()) if len(values) else None


def ellipse_overlaps(one: Floats, other: Floats) -> Floats:
    """(N,) intersection over union of ellipses, pair by pair.

    Parameters
    ----------
    one, other : (N, 5) float
        Centre x, centre y, long axis, short axis (full lengths), direction of the long axis in
        degrees clockwise from +x.
    """
    low = np.maximum(one[:, 1] - _reach_y(one), other[:, 1] - _reach_y(other))
    high = np.minimum(one[:, 1] + _reach_y(one), other[:, 1] + _reach_y(other))
    # Lines denser towards both ends, where ellipses begin with an upright rim.
    angles = (np.arange(LINES) + 0.5) * np.pi / LINES
    half = np.clip(high - low, 0, None)[:, None] / 2
    y = (low + high)[:, None] / 2 - half * np.cos(angles)
    weights = half * np.sin(angles) * np.pi / LINES
    (left_1, right_1), (left_2, right_2) = _crossings(one, y), _crossings(other, y)
    widths = np.clip(np.minimum(right_1, right_2) - np.maximum(left_1, left_2), 0, None)
    common = (widths * weights).sum(axis=1)
    areas = np.pi / 4 * (one[:, 2] * one[:, 3] + other[:, 2] * other[:, 3])
    return np.asarray(common / (areas - common), dtype=np.float64)


def _reach_y(ellipses: Floats) -> Floats:
    turn = np.deg2rad(ellipses[:, 4])
    return np.asarray(
        np.hypot(ellipses[:, 2] * np.sin(turn), ellipses[:, 3] * np.cos(turn)) / 2,
        dtype=np.float64,
    )


def _crossings(ellipses: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Where level lines enter and leave ellipses, both (N, K); y is (N, K)."""
    x0, y0, long_px, short_px, direction_deg = ellipses.T[:, :, None]
    turn = np.deg2rad(direction_deg)
    along, across = 4 / long_px**2, 4 / short_px**2
    xx = along * np.cos(turn) ** 2 + across * np.sin(turn) ** 2
    xy = (along - across) * np.sin(turn) * np.cos(turn)
    yy = along * np.sin(turn) ** 2 + across * np.cos(turn) ** 2
    dy = y - y0
    reach = np.sqrt(np.clip((xy * dy) ** 2 - xx * (yy * dy**2 - 1), 0, None)) / xx
    middle = x0 - xy * dy / xx
    return middle - reach, middle + reach

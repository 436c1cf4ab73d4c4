"""Which fruit of one photo is which of the other: the best pairs for all together, doubtful ones
left alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.views.pose import Floats, Pose
from fruitvision.views.sight import meetings
from fruitvision.views.view import View

Ints = NDArray[np.int64]

# Error of a disc's logarithm beside its own: outlines now and then err by more than they say.
SIZE_LOG = 0.06
# Spread of the logarithm of true diameters on a tree. Common practice: 8 % by variety, more early.
SIZES_LOG = 0.11
# Fewest pairs from which the usual depth and size are taken.
FEWEST_USUAL = 6
# Least spread of depths that is believed, mm.
LEAST_DEPTH_SD_MM = 60.0
# Worth of a pair before anything speaks against it, in squared standard errors: twice the
# logarithm of how much likelier the same fruit stands there than another one, at some 30 fruit a
# photo.
WORTH = 10.0
# A pair is doubtful if the next best pairing of all fruit is worth only so much less.
MARGIN = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What is known before fruit are paired.

    `aside_px` : how far the cameras' guess may shift fruit aside, px; `depth_mm`, `depth_sd_mm` :
    of fruit before the first camera; `diameter_mm` : the usual fruit, or None.
    """

    aside_px: float
    depth_mm: float
    depth_sd_mm: float
    diameter_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairs:
    """Pairs that are sure: numbers of fruit in each view, (M,); `worth` : what is left of `WORTH`.

    `doubtful` : pairs of the best pairing that were left out, because others fit nearly as well.
    """

    first: Ints
    second: Ints
    worth: Floats
    doubtful: int

    def __len__(self) -> int:
        return len(self.first)


def pair_fruit(first: View, second: View, poses: tuple[Pose, Pose], expected: Expected) -> Pairs:
    """The pairs of fruit that fit best all together.

    A pair is judged by how far its lines of sight miss each other, by its depth, by whether both
    views make it the same size, and by whether that is a usual size.
    """
    worth = WORTH - pair_costs(first, second, poses, expected)
    rows, columns = _best(worth)
    total = float(worth[rows, columns].sum())
    sure = np.array(
        [
            total - _best_without(worth, total, row, column) >= MARGIN
            for row, column in zip(rows, columns, strict=True)
        ],
        dtype=np.bool_,
    )
    rows, columns = rows[sure], columns[sure]
    return Pairs(
        first=rows,
        second=columns,
        worth=worth[rows, columns],
        doubtful=int((~sure).sum()),
    )


def pair_costs(first: View, second: View, poses: tuple[Pose, Pose], expected: Expected) -> Floats:
    """(N1, N2) squared standardised misfit of every pair; infinite behind a camera."""
    turn = poses[1].turn @ poses[0].turn.T
    met = meetings(first, second, turn, poses[0].place, poses[1].place)
    aside_variance = (
        first.centre_errors_px[:, None] ** 2 * (second.camera.focal_px / first.camera.focal_px) ** 2
        + second.centre_errors_px**2
        + expected.aside_px**2
    )
    in_front = (met.first_mm > 0) & (met.second_mm > 0)
    first_mm = first.discs_px[:, None] * met.first_mm / first.camera.focal_px
    second_mm = second.discs_px * met.second_mm / second.camera.focal_px
    first_log, second_log = _log(first_mm), _log(second_mm)
    first_error, second_error = (SIZE_LOG**2 + view.disc_errors**2 for view in (first, second))
    both = first_error[:, None] + second_error
    cost = (
        met.aside_px**2 / aside_variance
        + ((met.first_mm - expected.depth_mm) / expected.depth_sd_mm) ** 2
        + (first_log - second_log) ** 2 / both
    )
    if expected.diameter_mm is not None:
        mean = (first_log * second_error + second_log * first_error[:, None]) / both
        error = first_error[:, None] * second_error / both
        cost += (mean - np.log(expected.diameter_mm)) ** 2 / (SIZES_LOG**2 + error)
    return np.where(in_front, cost, np.inf)


def _log(lengths: Floats) -> Floats:
    return np.asarray(np.log(np.maximum(lengths, 1e-3)))


def _best(worth: Floats) -> tuple[Ints, Ints]:
    """Rows and columns of the pairing that is worth most; pairs worth nothing are left out.

    References
    ----------
    Crouse 2016, On implementing 2D rectangular assignment algorithms, as in scipy.
    """
    if not worth.size:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    # Only here: it takes half a second to load.
    from scipy.optimize import linear_sum_assignment

    gain = np.maximum(worth, 0.0)
    rows, columns = linear_sum_assignment(gain, maximize=True)
    kept = gain[rows, columns] > 0
    return rows[kept].astype(np.int64), columns[kept].astype(np.int64)


def _best_without(worth: Floats, total: float, row: int, column: int) -> float:
    """Worth of the best pairing in which this pair is not made; `total` : of the best of all."""
    if (worth[row] > 0).sum() == 1 and (worth[:, column] > 0).sum() == 1:
        return total - float(worth[row, column])
    changed = worth.copy()
    changed[row, column] = -np.inf
    rows, columns = _best(changed)
    return float(changed[rows, columns].sum())

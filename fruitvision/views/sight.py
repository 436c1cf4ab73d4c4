"""Any fruit of one view with any fruit of another: how far from meeting, and how deep they meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.views.pose import Floats
from fruitvision.views.view import View


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Meetings:
    """(..., N1, N2) of every fruit of the first view with every one of the second.

    `aside_px` : distance in the second photo from the line on which the first's fruit must lie;
    `first_mm`, `second_mm` : depth in each view of the point that is nearest to both, mm; below 0
    where it lies behind a camera.
    """

    aside_px: Floats
    first_mm: Floats
    second_mm: Floats


def meetings(
    first: View, second: View, turn: Floats, first_place: Floats, second_place: Floats
) -> Meetings:
    """How lines of sight meet if the second camera is turned by `turn` against the first.

    Parameters
    ----------
    turn : (..., 3, 3) float
        From directions of the first camera to those of the second.
    first_place, second_place : (3,) float
        One point, the marker's middle, as each camera sees it, mm: with `turn` they fix the step.

    Notes
    -----
    A point at depth z along `a` of the first camera is at z·(turn a) + step before the second; seen
    along `b` there, b × (z·(turn a) + step) = 0, by least squares for z.
    """
    ahead = np.asarray(first.slopes @ np.swapaxes(turn, -1, -2))
    step = second_place - (turn @ first_place)
    normal = np.cross(step[..., None, :], ahead)
    b = second.slopes
    aside = (normal @ b.T) / np.maximum(np.hypot(normal[..., 0], normal[..., 1]), 1e-12)[..., None]
    # The products of b × ahead with itself and with b × step, written out to save memory.
    b_square = (b**2).sum(axis=1)
    b_ahead = ahead @ b.T
    b_step = (step @ b.T)[..., None, :]
    ahead_step = (ahead @ step[..., :, None])[..., 0][..., None]
    apart = (ahead**2).sum(axis=-1)[..., None] * b_square - b_ahead**2
    depth = (b_ahead * b_step - ahead_step * b_square) / np.maximum(apart, 1e-12)
    return Meetings(
        aside_px=aside * second.camera.focal_px,
        first_mm=depth,
        second_mm=depth * ahead[..., 2, None] + step[..., 2, None, None],
    )

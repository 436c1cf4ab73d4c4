"""Which detection stands for which fruit, as COCO's evaluation decides it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
NOTHING = -1

# Overlaps at which matches are made: COCO's 0.5 and 0.75, and 0.2 for "it is there", where boxes
# of people are loose or the fruit is mostly hidden.
THERE, USUAL, TIGHT = 0.2, 0.5, 0.75
OVERLAPS = (THERE, USUAL, TIGHT)


@dataclass(frozen=True, slots=True, eq=False)
class Matches:
    """Of each detection, in the order given: the fruit that it stands for, or NOTHING.

    Parameters
    ----------
    fruit : (N,) int
        Index in the truth.
    ignored : (N,) bool
        True for those that stand for something ignored: neither right nor wrong.
    """

    fruit: NDArray[np.int64]
    ignored: Flags

    @property
    def right(self) -> Flags:
        """(N,) bool: detections that stand for a wanted fruit."""
        return np.asarray((self.fruit != NOTHING) & ~self.ignored)


def match(
    overlap: Floats, scores: Floats, ignored: Flags, crowd: Flags, *, least_overlap: float
) -> Matches:
    """Match detections, best score first, each to the fruit that it overlaps most.

    A wanted fruit is preferred to an ignored one; each fruit is taken once, a crowd any number of
    times. Of equal scores the earlier detection comes first, of equal overlaps the later fruit.

    Parameters
    ----------
    overlap : (N, M) float
        Of detections and truth, see `overlaps_of`.
    scores : (N,) float
    ignored, crowd : (M,) bool
    least_overlap : float
        From which on a detection may stand for a fruit.
    """
    fruit = np.full(len(scores), NOTHING, dtype=np.int64)
    # 1e-10 below 1, as COCO has it: a perfect fit counts also after rounding.
    near = overlap >= min(least_overlap, 1 - 1e-10)
    free = np.ones(len(ignored), dtype=np.bool_)
    for index in np.argsort(-scores, kind="stable"):
        allowed = near[index] & (free | crowd)
        wanted = allowed & ~ignored
        pool = np.flatnonzero(wanted if wanted.any() else allowed)
        if len(pool):
            # The last of the largest: reversed, argmax gives the first.
            best = pool[::-1][np.argmax(overlap[index, pool[::-1]])]
            fruit[index], free[best] = best, False
    stands = fruit != NOTHING
    passed_over = np.zeros(len(scores), dtype=np.bool_)
    passed_over[stands] = ignored[fruit[stands]]
    return Matches(fruit=fruit, ignored=passed_over)


def overlaps_of(found: Floats, truth: Floats, crowd: Flags) -> Floats:
    """(N, M) intersection over union; over the detection's own area where the truth is a crowd.

    Parameters
    ----------
    found, truth : (N, 4), (M, 4) float
        Left, top, right, bottom.
    crowd : (M,) bool
    """
    low = np.maximum(found[:, None, :2], truth[None, :, :2])
    high = np.minimum(found[:, None, 2:], truth[None, :, 2:])
    common = np.clip(high - low, 0, None).prod(axis=2)
    own, areas = areas_of(found)[:, None], areas_of(truth)[None, :]
    whole = np.where(crowd[None, :], own, own + areas - common)
    # Boxes without area overlap nothing.
    shares = np.divide(common, whole, out=np.zeros_like(common), where=whole > 0)
    return np.asarray(shares, dtype=np.float64)


def areas_of(boxes: Floats) -> Floats:
    """(N,) areas of boxes (N, 4)."""
    return np.asarray((boxes[:, 2:] - boxes[:, :2]).prod(axis=1), dtype=np.float64)

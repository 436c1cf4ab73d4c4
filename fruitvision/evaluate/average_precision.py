"""From scores that are right or wrong to average precision and F1."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# COCO's grid of recalls: 0, 0.01 ... 1 (cocodataset.org/#detection-eval).
RECALLS = np.linspace(0.0, 1.0, 101)


@dataclass(frozen=True, slots=True)
class Rates:
    """What one threshold gives; None where there is nothing to divide by.

    `threshold` is the lowest score that counts as fruit.
    """

    threshold: float | None
    right: int
    wrong: int
    missed: int

    @property
    def precision(self) -> float | None:
        """Share of what was found that is right."""
        return _share(self.right, self.right + self.wrong)

    @property
    def recall(self) -> float | None:
        """Share of the fruit that was found."""
        return _share(self.right, self.right + self.missed)

    @property
    def f1(self) -> float | None:
        """Harmonic mean of precision and recall."""
        return _share(2 * self.right, 2 * self.right + self.wrong + self.missed)


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def average_precision(scores: Floats, right: Flags, wanted: int) -> float | None:
    """COCO's average precision of one class: mean over 101 recalls of the best precision there on.

    Parameters
    ----------
    scores : (N,) float
        Of all photos, ignored detections left out. Of equal scores the earlier comes first.
    right : (N,) bool
    wanted : int
        Fruit to be found; None is returned if there are none.
    """
    if not wanted:
        return None
    hits = np.cumsum(right[np.argsort(-scores, kind="stable")])
    precision = hits / np.arange(1, len(hits) + 1)
    best_from_here = np.maximum.accumulate(precision[::-1])[::-1]
    at = np.searchsorted(hits / wanted, RECALLS, side="left")
    reached = at < len(hits)
    return float(best_from_here[at[reached]].sum() / len(RECALLS))


def threshold_for_count(scores: Floats, wanted: int) -> float:
    """Threshold from which on as many are found as there are fruit; the lowest score if too few.

    Parameters
    ----------
    scores : (N,) float
        N above 0.
    wanted : int
        Above 0.
    """
    ordered = np.sort(scores)[::-1]
    return float(ordered[min(wanted, len(ordered)) - 1])


def rates_at(scores: Floats, right: Flags, wanted: int, threshold: float) -> Rates:
    """Right, wrong and missed if scores from `threshold` on count as fruit."""
    taken = scores >= threshold
    hits = int((right & taken).sum())
    return Rates(
        threshold=threshold, right=hits, wrong=int(taken.sum()) - hits, missed=wanted - hits
    )


def best_rates(scores: Floats, right: Flags, wanted: int) -> Rates:
    """Those at the threshold of the highest F1; of equal ones the highest threshold."""
    if not len(scores):
        return Rates(threshold=None, right=0, wrong=0, missed=wanted)
    order = np.argsort(-scores, kind="stable")
    ordered, hits = scores[order], np.cumsum(right[order])
    # A threshold can't part equal scores.
    last = np.flatnonzero(np.append(ordered[1:] != ordered[:-1], True))
    f1 = 2 * hits[last] / (last + 1 + wanted)
    return rates_at(scores, right, wanted, float(ordered[last[int(np.argmax(f1))]]))

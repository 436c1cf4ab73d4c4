"""From a network's score to the chance that what it found is a fruit."""

from __future__ import annotations

from dataclasses import dataclass
from math import log2

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Scores are kept this far from 0 and 1, so that their logit stays finite.
NEAREST_TO_CERTAIN = 1e-6
# Pictures made larger by less are seen as well as others, and larger than by the second nothing is
# gained. Our choice: photos of rows, on which scores are calibrated, are made up to 1.2 times as
# large, and no picture with fruit that can be told more than 3 times.
ENLARGED_FROM, ENLARGED_TO = 1.2, 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Logistic in the score's logit (Platt 1999, Probabilistic outputs for support vector
    machines), or straight lines between points of a table. A higher score never means less.

    Parameters
    ----------
    slope, offset : float
        chance = logistic(slope * logit(score) + offset).
    per_doubling : float
        What the logit of a chance gains with every doubling of the picture between ENLARGED_FROM
        and ENLARGED_TO times its size: fruit of few px, drawn out, are seen less surely.
    scores, chances : tuple of float
        The points; if there are any, slope and offset are not used.

    Raises
    ------
    ValueError
        If the table does not rise, or leaves 0 to 1; if a chance would fall with the score or
        with the picture's size.
    """

    slope: float = 1.0
    offset: float = 0.0
    per_doubling: float = 0.0
    scores: tuple[float, ...] = ()
    chances: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if len(self.scores) != len(self.chances):
            raise ValueError(f"{len(self.scores)} scores have {len(self.chances)} chances")
        if not (np.diff(self.scores) > 0).all() or not (np.diff(self.chances) >= 0).all():
            raise ValueError("scores and chances must rise")
        if any(not 0 <= value <= 1 for value in (*self.scores, *self.chances)):
            raise ValueError("scores and chances lie between 0 and 1")
        if not self.slope > 0:
            raise ValueError("the slope must be above 0")
        if not self.per_doubling >= 0:
            raise ValueError("what a chance gains per doubling must not be below 0")

    def chance_of(self, scores: Floats, *, zoom: float = 1.0, share: float = 1.0) -> Floats:
        """(N,) chance, 0 to 1, of (N,) scores in a picture that was made `zoom` times as large.

        `share`, 0 to 1, of what that gives them is granted.
        """
        if self.scores:
            logit = _logit(np.interp(scores, self.scores, self.chances))
        else:
            logit = self.slope * _logit(scores) + self.offset
        doublings = max(0.0, log2(min(zoom, ENLARGED_TO) / ENLARGED_FROM))
        gain = share * self.per_doubling * doublings
        return np.asarray(1 / (1 + np.exp(-logit - gain)), dtype=np.float64)


def _logit(share: Floats) -> Floats:
    inside = np.clip(share, NEAREST_TO_CERTAIN, 1 - NEAREST_TO_CERTAIN)
    return np.asarray(np.log(inside / (1 - inside)), dtype=np.float64)

"""From a network's score to the chance that what it found is a fruit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Scores are kept this far from 0 and 1, so that their logit stays finite.
NEAREST_TO_CERTAIN = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Logistic in the score's logit (Platt 1999, Probabilistic outputs for support vector
    machines), or straight lines between points of a table. A higher score never means less.

    Parameters
    ----------
    slope, offset : float
        chance = logistic(slope * logit(score) + offset).
    scores, chances : tuple of float
        The points; if there are any, slope and offset are not used.

    Raises
    ------
    ValueError
        If the table does not rise, or leaves 0 to 1.
    """

    slope: float = 1.0
    offset: float = 0.0
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

    def chance_of(self, scores: Floats) -> Floats:
        """(N,) chance, 0 to 1, of (N,) scores."""
        if self.scores:
            return np.interp(scores, self.scores, self.chances).astype(np.float64)
        inside = np.clip(scores, NEAREST_TO_CERTAIN, 1 - NEAREST_TO_CERTAIN)
        logit = self.slope * np.log(inside / (1 - inside)) + self.offset
        return np.asarray(1 / (1 + np.exp(-logit)), dtype=np.float64)

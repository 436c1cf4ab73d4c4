"""Least squares of readings whose errors are partly common to all of one photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PairNoise:
    """Covariance V of the pairs: `own` variances on the diagonal, (pairs,), and for each photo the
    outer product of its pairs' `common`, (pairs,). `photo` numbers each pair's photo from 0."""

    own: Array
    common: Array
    photo: NDArray[np.intp]

    def inner(self, x: Array) -> Array:
        """xᵀ V⁻¹ x of (pairs, columns), by the formula of Sherman and Morrison for each photo."""
        weighted = x / self.own[:, np.newaxis]
        leaning = np.array([np.bincount(self.photo, self.common * one) for one in weighted.T])
        return np.asarray(x.T @ weighted - (leaning / self._photo_size) @ leaning.T)

    @property
    def log_size(self) -> float:
        """Log of the determinant of V."""
        return float(np.log(self.own).sum() + np.log(self._photo_size).sum())

    @property
    def _photo_size(self) -> Array:
        return np.asarray(1 + np.bincount(self.photo, self.common**2 / self.own))


def least_squares(x: Array, y: Array, noise: PairNoise) -> tuple[Array, Array, float]:
    """Generalised least squares: coefficients, their errors, and the weighted sum of squares.

    A column that says nothing new (fruit all of one size) gets an endless error.
    """
    columns = x.shape[1]
    sums = noise.inner(np.column_stack([x, y]))
    information, moment = sums[:columns, :columns], sums[:columns, columns]
    if np.linalg.cond(information) > 1e12:
        return np.zeros(columns), np.full(columns, np.inf), np.inf
    covariance = np.linalg.inv(information)
    found = covariance @ moment
    return found, np.sqrt(np.diag(covariance)), float(sums[columns, columns] - moment @ found)

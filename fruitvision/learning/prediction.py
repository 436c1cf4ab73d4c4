"""Best linear unbiased prediction of random effects, and how likely the data are.

y = Z·u + e with u ~ N(0, diag(effect_sd²)) and e ~ N(0, diag(noise_sd²)). The prediction is the
mean of u given y (Robinson, "That BLUP is a good thing", Statistical Science 6(1):15-51, 1991; the
normal-normal model of Bayesian textbooks). A fixed effect is a random one of a very large spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

Array = NDArray[np.float64]

# Spreads below this count as this: an effect that is not there. Far below any unit in use.
SMALLEST_SD = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Predicted:
    """Effects given the data.

    Attributes
    ----------
    mean : (effects,) float
    covariance : (effects, effects) float
    log_likelihood : float
        Natural logarithm of the density of the data, effects integrated out.
    """

    mean: Array
    covariance: Array
    log_likelihood: float


def predict(y: Array, design: Array, *, effect_sd: Array, noise_sd: Array) -> Predicted:
    """Mean and covariance of the effects given the data.

    Parameters
    ----------
    y : (n,) float
        The data.
    design : (n, effects) float
        What each effect adds to each datum, times the effect.
    effect_sd : (effects,) float
        Standard deviation of each effect before the data; their means are 0.
    noise_sd : (n,) float
        Standard error of each datum.

    Notes
    -----
    Henderson's equations: A = Z'R⁻¹Z + G⁻¹, mean = A⁻¹Z'R⁻¹y, covariance = A⁻¹; the determinant of
    the covariance of y is |R|·|G|·|A|, and y'V⁻¹y = y'R⁻¹y − y'R⁻¹Z·mean.
    """
    effect_sd, noise_sd = np.maximum(effect_sd, SMALLEST_SD), np.maximum(noise_sd, SMALLEST_SD)
    scaled, whitened = design / noise_sd[:, np.newaxis], y / noise_sd
    # In units of each effect's own spread, so that very large and very small ones stay in reach.
    scaled = scaled * effect_sd
    factor = cho_factor(np.eye(len(effect_sd)) + scaled.T @ scaled, lower=True)
    unit_mean = cho_solve(factor, scaled.T @ whitened)
    covariance = cho_solve(factor, np.eye(len(effect_sd)))
    rest = whitened @ whitened - (whitened @ scaled) @ unit_mean
    log_determinant = 2 * (np.log(np.diag(factor[0])).sum() + np.log(noise_sd).sum())
    return Predicted(
        mean=unit_mean * effect_sd,
        covariance=covariance * np.outer(effect_sd, effect_sd),
        log_likelihood=float(-0.5 * (len(y) * np.log(2 * np.pi) + log_determinant + rest)),
    )

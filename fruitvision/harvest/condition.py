"""Draws that are brought in line with what was seen.

Matheron's rule, also known as the update step of the ensemble Kalman filter with perturbed
observations (Burgers, van Leeuwen and Evensen, Monthly Weather Review 126, 1998; from memory). For
draws x of many quantities that are jointly normal, of which y = H x + e was seen with errors e of
covariance R, each draw becomes

    x + P Hᵀ (H P Hᵀ + R)⁻¹ (y + e' − H x),   e' drawn from R,

with P the covariance of the draws. The new draws are draws from the conditional distribution: its
mean is the best linear prediction (BLUP), and its spread is that of what is still not known. What
errs together with what was seen moves with it, in proportion to its covariance; what does not, does
not. Here x are logarithms, so that bins stay above 0 and errors are relative.
"""

from __future__ import annotations

import numpy as np

from fruitvision.harvest.need import Array


def condition(draws: Array, seen: list[int], values: Array, errors: Array, noise: Array) -> Array:
    """Draws of the conditional distribution.

    Parameters
    ----------
    draws : (draws, n) float
        Jointly drawn quantities, near a normal distribution.
    seen : list of int
        Columns that were seen, m of them.
    values, errors : (m,) float
        What was seen of each, and its standard error.
    noise : (draws, m) float
        Standard normal draws of the errors, of streams of their own.
    """
    if not seen:
        return draws
    gain = _covariance(draws, draws[:, seen]) @ np.linalg.inv(_seen_with(draws, seen, errors))
    return np.asarray(draws + (values + errors * noise - draws[:, seen]) @ gain.T)


def steps_away(draws: Array, seen: list[int], values: Array, errors: Array) -> Array:
    """How many standard deviations each value lies from what the draws expect of it, (m,)."""
    spread = np.sqrt(np.diag(_seen_with(draws, seen, errors)))
    return np.asarray((values - draws[:, seen].mean(axis=0)) / np.maximum(spread, 1e-12))


def told_by(of: Array, draws: Array, seen: list[int], values: Array, errors: Array) -> Array:
    """What each value that was seen moves the mean of a quantity by, (m,); they add up.

    Parameters
    ----------
    of : (draws,) float
        The quantity, drawn jointly with `draws`.
    """
    gain = _covariance(of[:, np.newaxis], draws[:, seen]) @ np.linalg.inv(
        _seen_with(draws, seen, errors)
    )
    return np.asarray(gain[0] * (values - draws[:, seen].mean(axis=0)))


def _seen_with(draws: Array, seen: list[int], errors: Array) -> Array:
    found = _covariance(draws[:, seen], draws[:, seen]) + np.diag(np.square(errors))
    # Two columns that are one and the same, without an error, can't be told apart.
    return np.asarray(found + 1e-12 * np.eye(len(seen)))


def _covariance(one: Array, other: Array) -> Array:
    away, beside = one - one.mean(axis=0), other - other.mean(axis=0)
    return np.asarray(away.T @ beside / (len(one) - 1))

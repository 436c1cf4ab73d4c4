"""Growth curves fitted by least squares: logistic, its four-parameter form, and expolinear.

Starting values come from the data, so that a caller gives points and nothing else. The fits are
held to the certified values of the NIST Statistical Reference Datasets Rat42 and Rat43.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from fruitvision.errors import ForecastError

Array = NDArray[np.float64]
Model = Callable[[Array, Array], Array]

# The steps of the solver end at the machine's precision. Our choice: a fit takes milliseconds.
TOLERANCE = 1e-15
# Asymptote that a fit starts from, times the largest value. Our choice.
FIRST_ASYMPTOTE = 1.05


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedCurve:
    """Parameters of a curve with their standard errors, and the scatter about it."""

    parameters: tuple[float, ...]
    errors: tuple[float, ...]
    residual_sd: float


def logistic(x: Array, parameters: Array) -> Array:
    """b1 / (1 + exp(b2 − b3·x))."""
    b1, b2, b3 = parameters
    return np.asarray(b1 * expit(b3 * x - b2))


def four_parameter_logistic(x: Array, parameters: Array) -> Array:
    """b1 / (1 + exp(b2 − b3·x)) ** (1/b4), Richards' curve."""
    b1, b2, b3, b4 = parameters
    return np.asarray(b1 * np.exp(-np.logaddexp(0.0, b2 - b3 * x) / b4))


def expolinear(x: Array, parameters: Array) -> Array:
    """(b1/b2)·ln(1 + exp(b2·(x − b3))): exponential at first, then b1 a day from day b3 on.

    Goudriaan and Monteith 1990, Annals of Botany 66: 695 (form from memory).
    """
    b1, b2, b3 = parameters
    return np.asarray(b1 / b2 * np.logaddexp(0.0, b2 * (x - b3)))


def fit_logistic(x: Sequence[float], y: Sequence[float]) -> FittedCurve:
    """Least squares fit of the logistic curve.

    Raises
    ------
    ForecastError
        If there are fewer than 4 points, or no such curve fits them.
    """
    days, values = _points(x, y, parameters=3)
    return _fit(logistic, days, values, _logistic_start(days, values))


def fit_four_parameter_logistic(x: Sequence[float], y: Sequence[float]) -> FittedCurve:
    """Least squares fit of Richards' curve, from the logistic one.

    Raises
    ------
    ForecastError
        If there are fewer than 5 points, or no such curve fits them.
    """
    days, values = _points(x, y, parameters=4)
    plain = _fit(logistic, days, values, _logistic_start(days, values))
    return _fit(four_parameter_logistic, days, values, np.array([*plain.parameters, 1.0]))


def fit_expolinear(x: Sequence[float], y: Sequence[float]) -> FittedCurve:
    """Least squares fit of expolinear growth.

    Raises
    ------
    ForecastError
        If there are fewer than 4 points, or no such curve fits them.
    """
    days, values = _points(x, y, parameters=3)
    half = len(days) // 2
    per_day, level = np.polyfit(days[half:], values[half:], 1)
    start = np.array([per_day, 10.0 / float(np.ptp(days)), -level / per_day])
    return _fit(expolinear, days, values, start)


def _points(x: Sequence[float], y: Sequence[float], *, parameters: int) -> tuple[Array, Array]:
    days, values = np.asarray(x, float), np.asarray(y, float)
    if len(days) <= parameters or np.ptp(days) <= 0:
        raise ForecastError(
            f"{len(days)} measurements are too few for a growth curve.",
            fix=f"Give {parameters + 1} or more, on different days.",
        )
    if not values.max() > 0:
        raise _no_curve()
    return days, values


def _no_curve() -> ForecastError:
    return ForecastError(
        "No growth curve fits the measurements.",
        fix="Check their dates and diameters, or measure at more stages of growth.",
    )


def _logistic_start(days: Array, values: Array) -> Array:
    """The line through ln(b1/y − 1), with the asymptote a little above the largest value."""
    top = FIRST_ASYMPTOTE * float(values.max())
    inner = np.clip(values / top, 1e-3, 1 - 1e-3)
    slope, level = np.polyfit(days, np.log(1 / inner - 1), 1)
    return np.array([top, level, -slope])


def _fit(model: Model, days: Array, values: Array, start: Array) -> FittedCurve:
    """Levenberg-Marquardt on parameters scaled by their start."""
    # Only here: it takes half a second to load.
    from scipy.optimize import least_squares

    scale = np.where(start == 0, 1.0, np.abs(start))

    def residuals(scaled: Array) -> Array:
        with np.errstate(all="ignore"):
            found = model(days, scaled * scale) - values
        return np.asarray(np.nan_to_num(found, nan=1e150, posinf=1e150, neginf=-1e150))

    def jacobian_at(scaled: Array) -> Array:
        return _jacobian(residuals, scaled)

    # One-sided differences would end at seven digits on some machines.
    result = least_squares(
        residuals,
        start / scale,
        jac=jacobian_at,
        method="lm",
        xtol=TOLERANCE,
        ftol=TOLERANCE,
        gtol=TOLERANCE,
        max_nfev=20_000,
    )
    freedom = len(days) - len(start)
    found = result.x
    jacobian = jacobian_at(found)
    normal = jacobian.T @ jacobian
    if not np.all(np.isfinite(found)) or np.linalg.matrix_rank(normal) < len(start):
        raise _no_curve()
    # The sum of squares is flat at its least: it ends the search at eight digits. One step of Gauss
    # and Newton, which looks at its slope, brings the rest.
    last = found - np.linalg.solve(normal, jacobian.T @ residuals(found))
    if np.sum(residuals(last) ** 2) <= (1 + 1e-9) * np.sum(residuals(found) ** 2):
        found = last
    variance = float(np.sum(residuals(found) ** 2)) / freedom
    errors = np.sqrt(variance * np.diag(np.linalg.inv(normal))) * scale
    return FittedCurve(
        parameters=tuple(float(b) for b in found * scale),
        errors=tuple(float(e) for e in errors),
        residual_sd=variance**0.5,
    )


def _jacobian(residuals: Callable[[Array], Array], at: Array) -> Array:
    """Central differences of fourth order, which hold about twelve digits."""
    columns = []
    for index, value in enumerate(at):
        step = np.zeros_like(at)
        # The fifth root of the machine's precision: the best step of this order.
        step[index] = 7e-4 * max(1.0, abs(value))
        near = residuals(at + step) - residuals(at - step)
        far = residuals(at + 2 * step) - residuals(at - 2 * step)
        columns.append((8 * near - far) / (12 * step[index]))
    return np.stack(columns, axis=1)

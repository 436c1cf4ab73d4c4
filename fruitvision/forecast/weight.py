"""Diameter → mass: W = a·D^b from the farm's own weighed fruit, or the general rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Doubt, WeighedFruit, WeightRule
from fruitvision.errors import FieldDataError
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Weighed fruit that a variety's own rule needs. Our choice: 50 to 100 are wanted; with 10 fruit of
# 5 % scatter the mean mass is known to 2 %, twice as well as by the general rule.
FEWEST_WEIGHED = 10
# Power of the general rule, kept where the weighed fruit are too alike in size to tell another.
USUAL_POWER = 3.0
# Largest standard error with which a power is believed. Our choice: 0.3 moves the mass of a fruit
# 10 % off the mean diameter by 3 %, a quarter of a size class.
LARGEST_POWER_ERROR = 0.3
# How far the fruit at the pick may lie from the weighed ones, in ln D. Our choice: 5 %, about 4 mm.
CARRIED = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerFit:
    """ln W = log_factor + power·ln D by least squares.

    `smear` is the mean of exp(residual), by which the curve of the logs is multiplied to give the
    mean mass (Duan 1983, J. Amer. Stat. Assoc. 78: 605); `centre` is the mean ln D.
    """

    log_factor: float
    power: float
    power_error: float
    residual_sd: float
    smear: float
    centre: float
    fruit: int


def mass_of(diameter_mm: float | Array, rule: WeightRule) -> float | Array:
    """Mean mass of fruit of a diameter, g."""
    return rule.factor * diameter_mm**rule.power


def default_weight(settings: Settings) -> WeightRule:
    """The general rule of the settings, with its error and its doubt."""
    return WeightRule(
        factor=settings.mass_factor_g_per_mm3,
        power=USUAL_POWER,
        factor_error=settings.mass_factor_error,
        scatter=settings.mass_scatter,
        source="general rule",
        doubts=(Doubt.DEFAULT_WEIGHT,),
    )


def weight_rule(weighed: Sequence[WeighedFruit], settings: Settings) -> WeightRule:
    """The rule of one variety from its weighed fruit; the general rule where they are too few.

    Raises
    ------
    FieldDataError
        If a diameter or mass is not above 0, varieties are mixed, or masses go down with diameter.
    """
    _check(weighed)
    if not weighed:
        return default_weight(settings)
    if len(weighed) < FEWEST_WEIGHED:
        return replace(
            default_weight(settings),
            source=f"general rule, since only {len(weighed)} fruit were weighed",
            fruit=len(weighed),
            doubts=(Doubt.FEW_WEIGHED, Doubt.DEFAULT_WEIGHT),
        )
    fit = fit_power([f.diameter_mm for f in weighed], [f.mass_g for f in weighed])
    _refuse_falling(fit, weighed[0].variety)
    if fit.power_error > LARGEST_POWER_ERROR:
        fit = _with_power(USUAL_POWER, weighed)
    return _rule(fit, weighed[0].variety)


def fit_power(diameters_mm: Sequence[float], masses_g: Sequence[float]) -> PowerFit:
    """Least squares on the logs.

    Raises
    ------
    ValueError
        If there are fewer than 3 fruit.
    """
    if len(diameters_mm) < 3:
        raise ValueError(f"need 3 or more fruit, got {len(diameters_mm)}")
    x, y = np.log(diameters_mm), np.log(masses_g)
    away = x - x.mean()
    spread = float(np.sum(away**2))
    power = float(np.sum(away * y)) / spread if spread > 0 else USUAL_POWER
    fit = _fit_of(x, y, power, freedom=len(x) - 2)
    error = fit.residual_sd / spread**0.5 if spread > 0 else np.inf
    return replace(fit, power_error=float(error))


def _with_power(power: float, weighed: Sequence[WeighedFruit]) -> PowerFit:
    x = np.log([fruit.diameter_mm for fruit in weighed])
    y = np.log([fruit.mass_g for fruit in weighed])
    return replace(_fit_of(x, y, power, freedom=len(x) - 1), power_error=LARGEST_POWER_ERROR)


def _fit_of(x: Array, y: Array, power: float, *, freedom: int) -> PowerFit:
    log_factor = float(y.mean() - power * x.mean())
    residuals = y - log_factor - power * x
    return PowerFit(
        log_factor=log_factor,
        power=power,
        power_error=0.0,
        residual_sd=float(np.sqrt(np.sum(residuals**2) / freedom)),
        smear=float(np.mean(np.exp(residuals))),
        centre=float(x.mean()),
        fruit=len(x),
    )


def _rule(fit: PowerFit, variety: str) -> WeightRule:
    mean_error = fit.residual_sd / fit.fruit**0.5
    return WeightRule(
        factor=float(np.exp(fit.log_factor)) * fit.smear,
        power=fit.power,
        factor_error=float(np.hypot(mean_error, CARRIED * fit.power_error)),
        scatter=float(np.sqrt(np.expm1(fit.residual_sd**2))),
        source=f"{fit.fruit} weighed fruit of {variety}",
        fruit=fit.fruit,
    )


def _check(weighed: Sequence[WeighedFruit]) -> None:
    varieties = sorted({fruit.variety for fruit in weighed})
    if len(varieties) > 1:
        raise FieldDataError(
            f"Weighed fruit of {', '.join(varieties)} are mixed.", fix="Fit one variety at a time."
        )
    for fruit in weighed:
        if not (fruit.diameter_mm > 0 and fruit.mass_g > 0):
            raise FieldDataError(
                f"A weighed fruit of {fruit.variety} has {fruit.diameter_mm:g} mm and "
                f"{fruit.mass_g:g} g.",
                fix="Give a diameter and a mass above 0.",
            )


def _refuse_falling(fit: PowerFit, variety: str) -> None:
    """Masses that go down with diameter beyond noise, or surely do not go up."""
    if fit.power + 2 * fit.power_error < 0 or (
        fit.power <= 0 and fit.power_error <= LARGEST_POWER_ERROR
    ):
        raise FieldDataError(
            f"The weights of {variety} go down with the diameter (power {fit.power:.2f}).",
            fix="Check that each row holds the diameter and the mass of the same fruit.",
        )

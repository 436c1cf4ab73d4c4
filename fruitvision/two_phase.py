"""Photograph many trees, count few by hand: means of two-phase samples, over strata.

Formulae after Cochran, Sampling Techniques, 3rd ed. 1977, chapter 12.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitvision.survey import Ratio, Sampled, add_errors

# An assumed spread is known to about a third: 1/sqrt(2·4) = 35 %. Our choice.
ASSUMED_FREEDOM = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class SampledStratum:
    """What was seen on the sampled units of one stratum.

    `share` of the whole that the stratum is (any positive scale); `units` that stand in it.
    `assumed_sd` replaces the spread of `values` where that can't be computed.
    """

    share: float
    units: int
    values: tuple[float, ...]
    assumed_sd: float | None = None

    def __post_init__(self) -> None:
        fewest = 2 if self.assumed_sd is None else 1
        if not fewest <= len(self.values) <= self.units:
            raise ValueError(
                f"a stratum needs {fewest} to {self.units} units, got {len(self.values)}"
            )

    @property
    def mean(self) -> float:
        """Mean of the sampled units."""
        return float(np.mean(self.values))

    @property
    def variance(self) -> float:
        """Variance among units."""
        if self.assumed_sd is not None:
            return self.assumed_sd**2
        return float(np.var(self.values, ddof=1))

    @property
    def freedom(self) -> int:
        """Degrees of freedom of the variance."""
        return ASSUMED_FREEDOM if self.assumed_sd is not None else len(self.values) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoPhase:
    """A two-phase mean, and the two parts of its error.

    `sampling_error` shrinks with more units of the first phase, `calibration_error` with more of
    the second.
    """

    mean: Sampled
    sampling_error: float
    calibration_error: float


def two_phase_mean(x_sample: Sequence[float], ratio: Ratio, *, population: int) -> Sampled:
    """Mean of y per unit when x is seen on many units and y on few of them: one stratum.

    Raises
    ------
    ValueError
        If the sample has fewer than 2 units or is larger than the population.
    """
    stratum = SampledStratum(share=1.0, units=population, values=tuple(x_sample))
    return stratified_two_phase_mean([stratum], ratio).mean


def stratified_two_phase_mean(strata: Sequence[SampledStratum], ratio: Ratio) -> TwoPhase:
    """Mean of y per unit over strata, x seen on many units and y on few of them.

    mean = R·Σ W_h x̄_h with variance Σ W_h² s_yh²(1/n_h − 1/N_h) + (e_R·Σ W_h x̄_h)²(1 − m/n): the
    trees that were not photographed, and the error e_R of the ratio, where m of all n photographed
    units were counted (Cochran 1977, §12.8, with the ratio's error at the mean of all n units,
    not of the m). s_yh² = R²·s_xh² + 2R·cov(x, d) + s_d². Degrees of freedom after Satterthwaite.

    Systematic samples are treated as random ones, which is safe unless a pattern of the block
    repeats with the step. Strata that were told apart after the sample was drawn need no other
    formula: this is the variance given how many units fell in each (Holt and Smith 1979).

    Raises
    ------
    ValueError
        If there is no stratum, or their shares add up to nothing.
    """
    whole = sum(stratum.share for stratum in strata)
    if whole <= 0:
        raise ValueError(f"the shares of the strata must add up to more than 0, got {whole}")
    weights = [stratum.share / whole for stratum in strata]
    x_mean = sum(w * stratum.mean for w, stratum in zip(weights, strata, strict=True))
    sampling = [
        w**2 * _y_variance(stratum, ratio) * (1 / len(stratum.values) - 1 / stratum.units)
        for w, stratum in zip(weights, strata, strict=True)
    ]
    units = sum(len(stratum.values) for stratum in strata)
    calibration = (ratio.error * x_mean) ** 2 * (1 - min(ratio.pairs, units) / units)
    error, freedom = add_errors(
        [*sampling, calibration], [*(stratum.freedom for stratum in strata), ratio.freedom]
    )
    return TwoPhase(
        mean=Sampled(value=ratio.ratio * x_mean, error=error, degrees_of_freedom=freedom),
        sampling_error=sum(sampling) ** 0.5,
        calibration_error=calibration**0.5,
    )


def _y_variance(stratum: SampledStratum, ratio: Ratio) -> float:
    residual = ratio.residual_sd**2
    together = ratio.ratio**2 * stratum.variance + 2 * ratio.ratio * ratio.covariance
    return max(residual, together + residual)


def two_phase_regression(
    strata: Sequence[SampledStratum], x: Sequence[float], y: Sequence[float]
) -> TwoPhase:
    """Mean of y per unit by a line y = a + b·x through the pairs (Cochran 1977, §12.6).

    Raises
    ------
    ValueError
        If there are fewer than 3 pairs, or all x are equal.
    """
    if len(x) < 3 or len(x) != len(y) or min(x) == max(x):
        raise ValueError(f"need 3 or more pairs with different x, got {len(x)} and {len(y)}")
    # Only here: it takes most of a second to load.
    from scipy.stats import linregress

    fit = linregress(x, y)
    slope, start = float(fit.slope), float(fit.intercept)
    residuals = np.asarray(y, float) - start - slope * np.asarray(x, float)
    residual = float(np.sum(residuals**2)) / (len(x) - 2)
    line = Ratio(ratio=slope, error=0.0, residual_sd=residual**0.5, pairs=len(x))
    part = stratified_two_phase_mean(strata, line)
    x_mean = _mean_of(strata)
    units = sum(len(stratum.values) for stratum in strata)
    lever = (x_mean - float(np.mean(x))) ** 2 / (float(np.var(x)) * len(x))
    calibration = residual * (1 / len(x) - 1 / max(units, len(x)) + lever)
    return _calibrated(
        part, start + slope * x_mean, calibration=calibration, degrees_of_freedom=len(x) - 2
    )


def two_phase_vigour(
    strata: Sequence[SampledStratum],
    by_vigour: Sequence[SampledStratum],
    pairs: tuple[Sequence[float], Sequence[float], Sequence[float]],
) -> TwoPhase:
    """Mean of y per unit by y = (K + c·vigour)·x through the pairs, least squares weighted by 1/x.

    The variance is that of a regression estimator with the two auxiliaries x and vigour·x (Särndal
    et al. 1992, §9.6): of y among units, predicted and residual parts together, and the error of
    the two coefficients at the mean of all n units, as far as not all of them were counted.

    Parameters
    ----------
    strata, by_vigour : sequences of SampledStratum
        The strata with x, and with vigour·x, of the same units.
    pairs : three sequences
        x, y and vigour of the units with both.

    Raises
    ------
    ValueError
        If there are fewer than 3 pairs, or their vigour is all the same.
    """
    x, y, vigour = (np.asarray(values, float) for values in pairs)
    if len(x) < 3 or not len(x) == len(y) == len(vigour) or vigour.min() == vigour.max():
        raise ValueError(f"need 3 or more pairs with different vigour, got {len(x)} and {len(y)}")
    root = 1 / np.sqrt(np.maximum(x, 1.0))
    design = np.column_stack([x, vigour * x])
    inverse = np.linalg.inv((design * root[:, np.newaxis] ** 2).T @ design)
    fitted = inverse @ (design * root[:, np.newaxis] ** 2).T @ y
    apart = y - design @ fitted
    freedom = len(x) - 2
    line = Ratio(
        ratio=1.0,
        error=0.0,
        residual_sd=float(np.sum(apart**2) / freedom) ** 0.5,
        pairs=len(x),
        covariance=float(np.cov(design @ fitted, apart)[0, 1]),
    )
    predicted = [
        _predicted(one, other, fitted) for one, other in zip(strata, by_vigour, strict=True)
    ]
    means = np.array([_mean_of(strata), _mean_of(by_vigour)])
    units = sum(len(stratum.values) for stratum in strata)
    error = float(np.sum((apart * root) ** 2)) / freedom * float(means @ inverse @ means)
    return _calibrated(
        stratified_two_phase_mean(predicted, line),
        float(means @ fitted),
        calibration=error * (1 - len(x) / max(units, len(x))),
        degrees_of_freedom=freedom,
    )


def _predicted(
    stratum: SampledStratum, by_vigour: SampledStratum, fitted: NDArray[np.float64]
) -> SampledStratum:
    """The stratum with y of each unit as the pairs predict it."""
    values = fitted[0] * np.array(stratum.values) + fitted[1] * np.array(by_vigour.values)
    scale = float(np.mean(values)) / stratum.mean if stratum.mean > 0 else 1.0
    return replace(
        stratum,
        values=tuple(map(float, values)),
        assumed_sd=None if stratum.assumed_sd is None else stratum.assumed_sd * abs(scale),
    )


def _mean_of(strata: Sequence[SampledStratum]) -> float:
    return float(np.average([s.mean for s in strata], weights=[s.share for s in strata]))


def _calibrated(
    part: TwoPhase, value: float, *, calibration: float, degrees_of_freedom: int
) -> TwoPhase:
    """A mean with the sampling error of `part` and the variance of what the pairs tell."""
    error, freedom = add_errors(
        [part.sampling_error**2, calibration],
        [part.mean.degrees_of_freedom, degrees_of_freedom],
    )
    return TwoPhase(
        mean=Sampled(value=value, error=error, degrees_of_freedom=freedom),
        sampling_error=part.sampling_error,
        calibration_error=calibration**0.5,
    )

"""Photo millimetres against calipers, fruit by fruit: offset, slope and noise of a walk.

A tagged fruit is calipered and found again in a photo. What the photo reads is taken for

    photo_mm = true_mm + bias + (slope - 1) * (true_mm - middle_mm) + noise

A regression of the photo on the caliper, and not the other way: the caliper is good to half a
millimetre, the photo to several, so that nearly all error lies in the photo. The caliper's part
is taken in all the same (regression calibration: each reading is drawn towards their mean by
its own error), as in a regression with errors in both; else the slope would read 1 % low.

With few pairs the line leans on what is expected without any: bias 0 and slope 1, give or take
what the settings state for the marker's depth (a factor for all fruit) and for the outlines (a
shift). No pair: no correction at all. The noise leans on the errors that the fruit state; part of
it may be common to the fruit of one photo, which then count for less. Both are averaged over a grid
by their likelihood (empirical Bayes would take the best; an average of few pairs errs less).

References
----------
Carroll, Ruppert, Stefanski and Crainiceanu, Measurement Error in Nonlinear Models, 2nd ed. 2006,
ch. 4: regression calibration. Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, ch. 14: the
normal regression with a normal prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import CALIPER_ERROR_MM, CaliperCheck, Doubt
from fruitvision.pair_noise import PairNoise, least_squares
from fruitvision.settings import Settings

Array = NDArray[np.float64]

# Distance from camera to marker that the walk card asks for, mm.
USUAL_DISTANCE_MM = 2300.0
# The stated errors of fruit are known to about a quarter: scale of Student's t with 3 degrees of
# freedom for the log of the true noise against the stated. Our choice; t lets many pairs win.
NOISE_KNOWN_TO = 0.15
_NOISE_FREEDOM = 3
# Noise factors and shares of the noise that fruit of one photo have in common, tried one by one.
# Our choice: a marker hung afresh at each tree may make up half of the noise, but seldom does; the
# odds of each share are beside it.
NOISE_FACTORS = np.exp(np.linspace(-1.0, 1.0, 25))
COMMON_SHARES = {0.0: 0.4, 0.15: 0.3, 0.3: 0.2, 0.5: 0.1}
# A pair farther off than this many standard errors is not one fruit. Our choice: 1 in 16,000.
STRAY_ERRORS = 4.0
# From this many pairs on, strays are told from the pairs' own median.
STRAYS_FROM = 3
# A wrong print: so many pairs and standard errors at least, and a scale so far off. Our choice: a
# sheet "fit to page" is 3 to 6 % off and reads large; 1 in 40 walks is called by chance, for a look
# at a ruler. Where photos read small, outlines may be tight: by 3 % on the sample photos.
PRINT_PAIRS = 5
PRINT_ERRORS = 2.0
PRINT_LARGE = 0.015
PRINT_SMALL = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedPair:
    """A fruit as a photo reads it, with its stated error, and as the caliper does."""

    photo_id: str
    fruit_id: str
    photo_mm: float
    photo_error_mm: float
    caliper_mm: float


def check_calipers(pairs: Sequence[MatchedPair], settings: Settings) -> CaliperCheck:
    """What the calipered fruit of a walk say of its photo millimetres.

    Pairs of fruit that can't be one and the same are left out and counted.
    """
    kept = without_strays(pairs, settings)
    if not kept:
        return CaliperCheck(pairs=0, left_out=len(pairs))
    data = _data(kept)
    found = _averaged(data, settings)
    printed = _printed_scale(data, found.usual)
    return CaliperCheck(
        pairs=len(kept),
        left_out=len(pairs) - len(kept),
        photos=len({pair.photo_id for pair in kept}),
        middle_mm=data.middle_mm,
        bias_mm=float(found.mean[0]),
        slope=1 + float(found.mean[1]),
        bias_error_mm=float(found.covariance[0, 0]) ** 0.5,
        slope_error=float(found.covariance[1, 1]) ** 0.5,
        correlation=_correlation(found.covariance),
        noise_factor=found.noise_factor,
        noise_factor_error=found.noise_factor_error,
        noise_mm=found.noise_factor * float(np.mean(data.errors_mm**2)) ** 0.5,
        printed_scale=printed,
        doubts=() if printed is None else (Doubt.SHEET_SCALE,),
    )


def without_strays(pairs: Sequence[MatchedPair], settings: Settings) -> tuple[MatchedPair, ...]:
    """Pairs whose photo and caliper can be one fruit: the photo may be off as all others are."""
    if not pairs:
        return ()
    away = np.array([pair.photo_mm - pair.caliper_mm for pair in pairs])
    error = np.hypot([pair.photo_error_mm for pair in pairs], CALIPER_ERROR_MM)
    if len(pairs) >= STRAYS_FROM:
        away = away - np.median(away)
    else:
        size = np.array([pair.caliper_mm for pair in pairs])
        error = np.hypot(error, _scale_error(settings) * size)
    near = np.abs(away) <= STRAY_ERRORS * (1 + NOISE_KNOWN_TO) * error
    return tuple(pair for pair, is_near in zip(pairs, near, strict=True) if is_near)


def print_words(check: CaliperCheck) -> str:
    """What a wrong print looks like and what to do; empty where there is no sign of it."""
    if check.printed_scale is None:
        return ""
    off = 100 * (1 / check.printed_scale - 1)
    return (
        f"Photos read all fruit {abs(off):.1f} % {'large' if off > 0 else 'small'}, as if the "
        f"marker sheet was printed at {100 * check.printed_scale:.0f} % ('fit to page'). Measure "
        "the printed side with the ruler on the sheet and enter its length. If it is right, the "
        "marker hung at another depth than the fruit, or their outlines are off."
    )


# ---------------------------------------------------------------- the line


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
    """`design` (pairs, 2): 1 and the true diameter from the middle; `away_mm` what the photo reads
    beyond the true diameter; `photo` the number of each pair's photo, from 0."""

    middle_mm: float
    true_mm: Array
    away_mm: Array
    errors_mm: Array
    photo: NDArray[np.intp]
    caliper_variance: float

    @property
    def design(self) -> Array:
        return np.stack([np.ones_like(self.true_mm), self.true_mm - self.middle_mm], axis=1)


def _data(pairs: Sequence[MatchedPair]) -> _Data:
    by_caliper = np.array([pair.caliper_mm for pair in pairs])
    middle = float(by_caliper.mean())
    seen = float(by_caliper.var(ddof=1)) if len(pairs) > 1 else 0.0
    # Share of the readings' spread that is the fruit's own.
    true_share = 1 - min(1.0, CALIPER_ERROR_MM**2 / seen) if seen > 0 else 1.0
    true_mm = middle + true_share * (by_caliper - middle)
    _, photo = np.unique([pair.photo_id for pair in pairs], return_inverse=True)
    return _Data(
        middle_mm=middle,
        true_mm=true_mm,
        away_mm=np.array([pair.photo_mm for pair in pairs]) - true_mm,
        errors_mm=np.array([pair.photo_error_mm for pair in pairs]),
        photo=photo,
        caliper_variance=CALIPER_ERROR_MM**2 * true_share,
    )


def _scale_error(settings: Settings) -> float:
    """Relative error of the scale and the outlines together that is expected without calipers."""
    depth = settings.marker_depth_error_mm / USUAL_DISTANCE_MM
    return float(np.hypot(depth, settings.outline_bias_error))


def _expected(middle_mm: float, settings: Settings) -> Array:
    """Covariance of bias and slope without any pair, (2, 2).

    A factor on all fruit (depth) is bias at the middle and slope; a shift (outlines) is bias only.
    """
    depth = settings.marker_depth_error_mm / USUAL_DISTANCE_MM
    factor = np.array([middle_mm, 1.0])
    covariance = depth**2 * np.outer(factor, factor)
    covariance[0, 0] += (settings.outline_bias_error * middle_mm) ** 2
    return np.asarray(covariance)


@dataclass(frozen=True, slots=True, eq=False)
class _Averaged:
    """Bias and slope − 1 with their covariance; `usual` is the likeliest noise of the pairs."""

    mean: Array
    covariance: Array
    noise_factor: float
    noise_factor_error: float
    usual: PairNoise


def _averaged(data: _Data, settings: Settings) -> _Averaged:
    """The line averaged over noise factors and common shares, each by its likelihood."""
    root = _root(_expected(data.middle_mm, settings))
    grid = list(product(NOISE_FACTORS, COMMON_SHARES))
    tried = [_line(data, root, _pair_noise(data, factor, common)) for factor, common in grid]
    logs = np.log([factor for factor, _ in grid])
    odds = np.log([COMMON_SHARES[common] for _, common in grid])
    believed = np.array([line.evidence for line in tried]) + _log_prior(logs) + odds
    weights = np.exp(believed - believed.max())
    weights /= weights.sum()
    means = np.array([line.mean for line in tried])
    mean = weights @ means
    away = means - mean
    inside = np.einsum("i,ijk->jk", weights, np.array([line.covariance for line in tried]))
    middle = float(weights @ logs)
    return _Averaged(
        mean=np.asarray(mean),
        covariance=inside + (away * weights[:, np.newaxis]).T @ away,
        noise_factor=float(np.exp(middle)),
        noise_factor_error=float(weights @ (logs - middle) ** 2) ** 0.5,
        usual=tried[int(weights.argmax())].noise,
    )


def _log_prior(log_factors: Array) -> Array:
    t = log_factors / NOISE_KNOWN_TO
    return np.asarray(-(_NOISE_FREEDOM + 1) / 2 * np.log1p(t**2 / _NOISE_FREEDOM))


def _pair_noise(data: _Data, factor: float, common: float) -> PairNoise:
    noise = factor * data.errors_mm
    return PairNoise(
        own=(1 - common) * noise**2 + data.caliper_variance,
        common=common**0.5 * noise,
        photo=data.photo,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    mean: Array
    covariance: Array
    evidence: float
    noise: PairNoise


def _root(covariance: Array) -> Array:
    """R with R Rᵀ the covariance, which may be singular."""
    values, ways = np.linalg.eigh(covariance)
    return np.asarray(ways * np.sqrt(np.maximum(values, 0.0)))


def _line(data: _Data, root: Array, noise: PairNoise) -> _Line:
    """Normal regression with a normal prior around no correction; evidence is the log density.

    With the line R·t, t standard normal: its precision given the pairs is 1 + Rᵀ XᵀV⁻¹X R.
    """
    sums = noise.inner(np.column_stack([data.design @ root, data.away_mm]))
    precision = np.eye(2) + sums[:2, :2]
    t = np.linalg.solve(precision, sums[:2, 2])
    unlikely = float(sums[2, 2] - sums[:2, 2] @ t)
    _, log_precision = np.linalg.slogdet(precision)
    return _Line(
        mean=root @ t,
        covariance=root @ np.linalg.solve(precision, root.T),
        evidence=-(noise.log_size + float(log_precision) + unlikely) / 2,
        noise=noise,
    )


def _correlation(covariance: Array) -> float:
    size = float(covariance[0, 0] * covariance[1, 1]) ** 0.5
    return float(covariance[0, 1]) / size if size > 0 else 0.0


# ---------------------------------------------------------------- the printed sheet


def _printed_scale(data: _Data, noise: PairNoise) -> float | None:
    """Scale at which the sheet seems to be printed; None where there is no sign of a wrong one.

    All fruit are off by one factor, surely, and a shift beside it is not seen: a shift alone would
    be the outlines'. A sheet printed small makes fruit large.
    """
    if len(data.true_mm) < PRINT_PAIRS:
        return None
    size, ones = data.true_mm[:, np.newaxis], np.ones((len(data.true_mm), 1))
    factor, factor_error, unlikely_factor = least_squares(size, data.away_mm, noise)
    _, _, unlikely_shift = least_squares(ones, data.away_mm, noise)
    line, line_error, _ = least_squares(np.hstack([size, ones]), data.away_mm, noise)
    off = float(factor[0])
    far = PRINT_LARGE if off > 0 else PRINT_SMALL
    is_sure = abs(off) >= max(far, PRINT_ERRORS * float(factor_error[0]))
    no_shift = abs(float(line[1])) < 2 * float(line_error[1])
    as_likely = unlikely_factor <= unlikely_shift + 1
    return 1 / (1 + off) if is_sure and no_shift and as_likely else None

"""Survey statistics: means and totals from samples, with their standard errors.

The formulae are those of the textbooks (Cochran, Sampling Techniques, 3rd ed. 1977; Särndal,
Swensson and Wretman, Model Assisted Survey Sampling, 1992); the tests hold them to printed results.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from fruitvision.domain import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """A sampled mean or total, its standard error, and the degrees of freedom of that error."""

    value: float
    error: float
    degrees_of_freedom: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """Ratio of sums of y and x.

    `residual_sd` is the spread of d = y − ratio·x among the pairs, `covariance` that of x and d.
    """

    ratio: float
    error: float
    residual_sd: float
    pairs: int
    covariance: float = 0.0


def ratio_of_sums(x: Sequence[float], y: Sequence[float]) -> Ratio:
    """Σy / Σx with its standard error (Cochran 1977, §2.11 and §6.3, without finite correction).

    Raises
    ------
    ValueError
        If there are fewer than 2 pairs, unequal lengths, or Σx is not above 0.
    """
    if len(x) != len(y) or len(x) < 2:
        raise ValueError(f"need 2 or more pairs of x and y, got {len(x)} and {len(y)}")
    sum_x = float(np.sum(x))
    if sum_x <= 0:
        raise ValueError(f"the sum of x must be above 0, got {sum_x}")
    pairs = len(x)
    ratio = float(np.sum(y)) / sum_x
    residuals = np.asarray(y, float) - ratio * np.asarray(x, float)
    residual_sd = float(np.sqrt(np.sum(residuals**2) / (pairs - 1)))
    error = residual_sd / (sum_x / pairs) / pairs**0.5
    return Ratio(
        ratio=ratio,
        error=error,
        residual_sd=residual_sd,
        pairs=pairs,
        covariance=float(np.cov(x, residuals)[0, 1]),
    )


def two_phase_mean(x_sample: Sequence[float], ratio: Ratio, *, population: int) -> Sampled:
    """Mean of y per unit when x is seen on many units and y on few of them.

    mean = R·x̄′ with variance s_y²(1/n′ − 1/N) + s_d²(1/m − 1/n′), where n′ units give x, m of them
    give y, and d = y − R·x (Cochran 1977, §12.8). s_y² = R²·s_x² + 2R·cov(x, d) + s_d² with s_x²
    from all n′ units. Degrees of freedom after Satterthwaite, at least 1.

    Raises
    ------
    ValueError
        If the sample has fewer than 2 units or is larger than the population.
    """
    x = np.asarray(x_sample, float)
    if len(x) < 2 or len(x) > population:
        raise ValueError(f"need 2 to {population} units, got {len(x)}")
    units, pairs = len(x), min(ratio.pairs, len(x))
    residual = ratio.residual_sd**2
    together = ratio.ratio**2 * float(np.var(x, ddof=1)) + 2 * ratio.ratio * ratio.covariance
    spread = max(residual, together + residual)
    sampling = spread * (1 / units - 1 / population)
    calibration = residual * (1 / pairs - 1 / units)
    variance = sampling + calibration
    weights = sampling**2 / (units - 1) + calibration**2 / max(ratio.pairs - 1, 1)
    freedom = int(max(1.0, variance**2 / weights)) if weights > 0 else units - 1
    return Sampled(
        value=ratio.ratio * float(x.mean()), error=variance**0.5, degrees_of_freedom=freedom
    )


def stratified_mean(
    samples: Sequence[Sequence[float]], populations: Sequence[int], *, finite: bool = True
) -> Sampled:
    """Mean over strata weighted by their sizes (Cochran 1977, §5.4 and §5.6).

    Parameters
    ----------
    samples : sequence of sequences
        Values of the sampled units, one sequence a stratum, two or more units each.
    populations : sequence of int
        Units in each stratum.
    finite : bool
        With the finite-population correction.

    Raises
    ------
    ValueError
        If a stratum has fewer than 2 sampled units or more than its population.
    """
    total = sum(populations)
    mean, variance, freedom = 0.0, 0.0, 0
    for values, size in zip(samples, populations, strict=True):
        n = len(values)
        if not 2 <= n <= size:
            raise ValueError(f"a stratum of {size} needs 2 to {size} sampled units, got {n}")
        weight = size / total
        mean += weight * float(np.mean(values))
        correction = 1 - n / size if finite else 1.0
        variance += weight**2 * correction * float(np.var(values, ddof=1)) / n
        freedom += n - 1
    return Sampled(value=mean, error=variance**0.5, degrees_of_freedom=freedom)


def two_stage_total(
    samples: Sequence[Sequence[float]], cluster_sizes: Sequence[int], *, clusters: int
) -> Sampled:
    """Total from sampled clusters with sampled units in each.

    N²(1 − n/N)s_t²/n + (N/n)ΣM_i²(1 − m_i/M_i)s_i²/m_i (Särndal et al. 1992, result 4.3.1).

    Parameters
    ----------
    samples : sequence of sequences
        Values of the sampled units, one sequence a cluster, two or more units each.
    cluster_sizes : sequence of int
        Units in each sampled cluster.
    clusters : int
        Clusters in the population.

    Raises
    ------
    ValueError
        If there are fewer than 2 clusters or a cluster has fewer than 2 sampled units.
    """
    n = len(samples)
    if n < 2 or min(len(values) for values in samples) < 2:
        raise ValueError("need 2 or more clusters with 2 or more sampled units each")
    totals = [m * float(np.mean(v)) for v, m in zip(samples, cluster_sizes, strict=True)]
    between = clusters**2 * (1 - n / clusters) * float(np.var(totals, ddof=1)) / n
    within = sum(
        m**2 * (1 - len(v) / m) * float(np.var(v, ddof=1)) / len(v)
        for v, m in zip(samples, cluster_sizes, strict=True)
    )
    variance = between + clusters / n * within
    return Sampled(value=clusters / n * sum(totals), error=variance**0.5, degrees_of_freedom=n - 1)


def cluster_mean(clusters: Sequence[Sequence[float]]) -> Sampled:
    """Mean of all units when whole clusters (trees) were drawn: a ratio of sums over clusters.

    Raises
    ------
    ValueError
        If there are fewer than 2 clusters that hold a unit.
    """
    filled = [values for values in clusters if len(values) > 0]
    sums = [float(np.sum(values)) for values in filled]
    ratio = ratio_of_sums([float(len(values)) for values in filled], sums)
    return Sampled(value=ratio.ratio, error=ratio.error, degrees_of_freedom=len(filled) - 1)


def sample_size(cv: float, *, half_width: float, population: int | None = None) -> int:
    """Units for a relative half-width of a 90 % range: n0 = (t·CV/r)², n = n0/(1 + n0/N).

    The t quantile belongs to the size itself, so the formula is solved by iteration.

    Raises
    ------
    ValueError
        If `cv` or `half_width` is not above 0.
    """
    if cv <= 0 or half_width <= 0:
        raise ValueError(f"cv and half_width must be above 0, got {cv} and {half_width}")
    for n in range(2, 100_000):
        half = float(stats.t.ppf(0.95, n - 1)) * cv / n**0.5
        if half <= half_width:
            return n if population is None else int(np.ceil(n / (1 + n / population)))
    return 100_000


def estimate_from(sampled: Sampled, *, times: float = 1.0, lowest: float = 0.0) -> Estimate:
    """P10, P50, P90 of a sampled value by Student's t, times a known number, cut at `lowest`."""
    half = float(stats.t.ppf(0.9, sampled.degrees_of_freedom)) * sampled.error
    middle = max(lowest, sampled.value * times)
    return Estimate(
        p10=max(lowest, (sampled.value - half) * times),
        p50=middle,
        p90=max(middle, (sampled.value + half) * times),
    )

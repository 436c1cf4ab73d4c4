"""Survey statistics: means and totals from samples, with their standard errors.

The formulae are those of the textbooks (Cochran, Sampling Techniques, 3rd ed. 1977; Särndal,
Swensson and Wretman, Model Assisted Survey Sampling, 1992); the tests hold them to printed results.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from fruitvision.domain import Estimate

# A t-distribution with fewer degrees of freedom has no variance, and a simulation with it no mean.
# The range P10 to P90 is kept, the tails are not.
FEWEST_FREEDOM = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """A sampled mean or total, its standard error, and the degrees of freedom of that error."""

    value: float
    error: float
    degrees_of_freedom: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """Ratio of sums of y and x, with the standard error of that ratio.

    `residual_sd` is the spread of d = y − ratio·x among the units, `covariance` that of x and d.
    `pairs` of the photographed units themselves gave it: 0 for a ratio from elsewhere, whose
    `degrees_of_freedom` are then its own.
    """

    ratio: float
    error: float
    residual_sd: float
    pairs: int
    covariance: float = 0.0
    degrees_of_freedom: int | None = None

    @property
    def freedom(self) -> int:
        """Degrees of freedom of `error`, at least 1."""
        given = self.degrees_of_freedom
        return max(1, self.pairs - 1 if given is None else given)


def ratio_of_sums(
    x: Sequence[float], y: Sequence[float], *, weights: Sequence[float] | None = None
) -> Ratio:
    """Σwy / Σwx with its standard error (Cochran 1977, §2.11 and §6.3, without finite correction).

    With weights that say how many units each pair stands for it is the combined ratio of a
    stratified sample (§6.11): one ratio for all strata, since a separate ratio from the two or
    three pairs of a stratum would be biased and its error unknown.

    Raises
    ------
    ValueError
        If there are fewer than 2 pairs, unequal lengths, or Σwx is not above 0.
    """
    if len(x) != len(y) or len(x) < 2:
        raise ValueError(f"need 2 or more pairs of x and y, got {len(x)} and {len(y)}")
    w = np.ones(len(x)) if weights is None else np.asarray(weights, float)
    x_of, y_of = np.asarray(x, float), np.asarray(y, float)
    sum_x = float(np.sum(w * x_of))
    if sum_x <= 0:
        raise ValueError(f"the sum of x must be above 0, got {sum_x}")
    pairs = len(x)
    ratio = float(np.sum(w * y_of)) / sum_x
    residuals = y_of - ratio * x_of
    return Ratio(
        ratio=ratio,
        error=float((np.sum((w * residuals) ** 2) * pairs / (pairs - 1)) ** 0.5) / sum_x,
        residual_sd=float((np.sum(residuals**2) / (pairs - 1)) ** 0.5),
        pairs=pairs,
        covariance=float(np.cov(x_of, residuals)[0, 1]),
    )


def add_errors(variances: Sequence[float], freedoms: Sequence[float]) -> tuple[float, int]:
    """Standard error of a sum of independent parts, and its degrees of freedom, at least 1.

    Satterthwaite 1946 (Biometrics 2: 110): V²/Σ(v²/f), rounded down.
    """
    total = float(sum(variances))
    parts = sum(v**2 / f for v, f in zip(variances, freedoms, strict=True))
    if parts <= 0:
        return total**0.5, max(1, int(min(freedoms)))
    return total**0.5, int(max(1.0, total**2 / parts + 1e-9))


def with_tails(sampled: Sampled) -> Sampled:
    """The same P10 to P90 with a t-distribution that has a mean and a variance."""
    if sampled.degrees_of_freedom >= FEWEST_FREEDOM:
        return sampled
    wider = stdtrit(sampled.degrees_of_freedom, 0.9) / stdtrit(FEWEST_FREEDOM, 0.9)
    return Sampled(
        value=sampled.value,
        error=sampled.error * float(wider),
        degrees_of_freedom=FEWEST_FREEDOM,
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


def cluster_mean(
    clusters: Sequence[Sequence[float]], *, weights: Sequence[float] | None = None
) -> Sampled:
    """Mean of all units when whole clusters (trees) were drawn: a ratio of sums over clusters.

    `weights` says how many clusters of the whole each one stands for; equal if left out.

    Raises
    ------
    ValueError
        If there are fewer than 2 clusters that hold a unit.
    """
    given = [1.0] * len(clusters) if weights is None else weights
    filled = [(v, w) for v, w in zip(clusters, given, strict=True) if len(v) > 0]
    ratio = ratio_of_sums(
        [float(len(values)) for values, _ in filled],
        [float(np.sum(values)) for values, _ in filled],
        weights=[weight for _, weight in filled],
    )
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
        half = float(stdtrit(n - 1, 0.95)) * cv / n**0.5
        if half <= half_width:
            return n if population is None else int(np.ceil(n / (1 + n / population)))
    return 100_000


def estimate_from(sampled: Sampled, *, times: float = 1.0, lowest: float = 0.0) -> Estimate:
    """P10, P50, P90 of a sampled value by Student's t, times a known number, cut at `lowest`."""
    half = float(stdtrit(sampled.degrees_of_freedom, 0.9)) * sampled.error
    middle = max(lowest, sampled.value * times)
    return Estimate(
        p10=max(lowest, (sampled.value - half) * times),
        p50=middle,
        p90=max(middle, (sampled.value + half) * times),
    )

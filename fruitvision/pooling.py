"""Values of like groups, pooled: how much groups differ, and each moved towards the others.

Random effects: a group's value is the common mean plus its own departure plus its sampling error.
The departures' variance follows Paule and Mandel 1982 (J. Res. Natl. Bur. Stand. 87: 377); the
best prediction of a group's value is its own value moved towards the mean by v/(v + t²)
(empirical Bayes; Morris 1983, J. Am. Stat. Assoc. 78: 47).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fruitvision.survey import add_errors

# Newton's steps double the right digits; a handful is enough.
MOST_STEPS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """Common mean of like groups, its standard error, and the groups' own departures from it."""

    mean: float
    mean_error: float
    between_sd: float
    groups: int
    # Of `between_sd`.
    degrees_of_freedom: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Shrunk:
    """A group's value moved towards its like; `own_weight` is what its own data weigh, 0 to 1.

    `common_error` is the part of `error` that all groups of the pool share: that of the mean.
    """

    value: float
    error: float
    degrees_of_freedom: int
    own_weight: float
    common_error: float


def between_variance(values: Sequence[float], variances: Sequence[float]) -> float:
    """Variance between groups beyond their sampling errors (Paule and Mandel).

    It solves Σ (y − m)²/(v + t²) = k − 1, with m the mean weighted by 1/(v + t²); 0 if the values
    lie closer together than their errors alone would have it. Newton's steps from 0 never pass the
    root, since the left side falls and is convex (DerSimonian and Kacker 2007, Contemp. Clin.
    Trials 28: 105).

    Raises
    ------
    ValueError
        If there are fewer than 2 groups, unequal lengths, or a variance is not above 0.
    """
    _check(values, variances, fewest=2)
    y, v = np.asarray(values, float), np.asarray(variances, float)

    between = 0.0
    for _ in range(MOST_STEPS):
        weights = 1 / (v + between)
        squares = (y - np.sum(weights * y) / weights.sum()) ** 2
        excess = float(np.sum(weights * squares)) - (len(y) - 1)
        if excess <= 0:
            break
        step = excess / float(np.sum(weights**2 * squares))
        between += step
        if step <= 1e-15 * between:
            break
    return between


def pool(
    values: Sequence[float],
    variances: Sequence[float],
    *,
    assumed_sd: float = 0.0,
    assumed_freedom: int = 0,
) -> Pooled:
    """Common mean of groups that differ.

    Two or three groups often look alike by chance. An assumed spread between groups, given as
    `assumed_sd`, then counts like `assumed_freedom` more groups.

    Raises
    ------
    ValueError
        If there is no group, unequal lengths, or a variance is not above 0.
    """
    _check(values, variances, fewest=1)
    freedom = len(values) - 1
    found = between_variance(values, variances) if freedom else 0.0
    between = found
    if freedom + assumed_freedom > 0:
        between = (freedom * found + assumed_freedom * assumed_sd**2) / (freedom + assumed_freedom)
    weights = 1 / (np.asarray(variances, float) + between)
    return Pooled(
        mean=float(np.average(values, weights=weights)),
        mean_error=float(weights.sum() ** -0.5),
        between_sd=between**0.5,
        groups=len(values),
        degrees_of_freedom=max(1, freedom + assumed_freedom),
    )


def shrink(value: float, variance: float, pooled: Pooled, *, degrees_of_freedom: int) -> Shrunk:
    """The best prediction of the value of one of the pooled groups.

    Its variance is v·t²/(v + t²) + (v/(v + t²))²·var(mean); `degrees_of_freedom` are those of v.
    The second part is also the covariance of two groups' predictions: a group's own error and its
    departure move the mean and the group against each other, and just cancel.
    """
    between = pooled.between_sd**2
    if variance == 0:
        return Shrunk(
            value=value,
            error=0.0,
            degrees_of_freedom=degrees_of_freedom,
            own_weight=1.0,
            common_error=0.0,
        )
    towards = variance / (variance + between)
    error, freedom = add_errors(
        [towards * between, (towards * pooled.mean_error) ** 2],
        [degrees_of_freedom, pooled.degrees_of_freedom],
    )
    return Shrunk(
        value=value + towards * (pooled.mean - value),
        error=error,
        degrees_of_freedom=freedom,
        own_weight=1 - towards,
        common_error=towards * pooled.mean_error,
    )


def unseen(pooled: Pooled) -> Shrunk:
    """The prediction for a like group without data of its own: the mean, as groups differ."""
    return Shrunk(
        value=pooled.mean,
        error=float(np.hypot(pooled.between_sd, pooled.mean_error)),
        degrees_of_freedom=pooled.degrees_of_freedom,
        own_weight=0.0,
        common_error=pooled.mean_error,
    )


def _check(values: Sequence[float], variances: Sequence[float], *, fewest: int) -> None:
    if len(values) != len(variances) or len(values) < fewest:
        raise ValueError(
            f"need {fewest} or more values with variances, got {len(values)} and {len(variances)}"
        )
    if min(variances) <= 0:
        raise ValueError(f"variances must be above 0, got {min(variances)}")

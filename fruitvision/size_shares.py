"""Share of the fruit in each size class on the day of the walk, with its range."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Estimate, SizeDistribution

Array = NDArray[np.float64]

# Our choice: tenths are then known to about a twentieth of their width.
DRAWS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassShare:
    """Share of the fruit, 0 to 1, from `low_mm` to below `high_mm`."""

    name: str
    low_mm: float
    high_mm: float
    share: Estimate


def class_shares(
    sizes: SizeDistribution, limits_mm: Sequence[tuple[str, float, float]], *, seed: int
) -> tuple[ClassShare, ...]:
    """Share of each class: P50 and P10 to P90 by what is not known of mean, spread and shape.

    The errors of the spread and of the shape are those of trees drawn again (`sizes`), that of
    the mean is of the trees, the calipers and the scale.

    Parameters
    ----------
    limits_mm : sequence of (name, low, high)
        Limits of the classes; they may be open (infinite).
    seed : int
        Of the draws.
    """
    drawn = _drawn_quantiles(sizes, np.random.default_rng(seed))
    at = (np.arange(drawn.shape[1]) + 0.5) / drawn.shape[1]
    edges = [edge for _, *pair in limits_mm for edge in pair]
    below = np.array([np.interp(edges, one, at, left=0.0, right=1.0) for one in drawn])
    shares = (below[:, 1::2] - below[:, ::2]).T
    return tuple(
        ClassShare(
            name=name,
            low_mm=low,
            high_mm=high,
            share=Estimate(*map(float, np.quantile(of_class, (0.1, 0.5, 0.9)))),
        )
        for (name, low, high), of_class in zip(limits_mm, shares, strict=True)
    )


def _drawn_quantiles(sizes: SizeDistribution, rng: np.random.Generator) -> Array:
    """Equally probable diameters as they may truly be, smallest first, (DRAWS, quantiles)."""
    student = rng.standard_t(sizes.freedom, DRAWS)
    scale = rng.standard_normal(DRAWS)
    mean = sizes.mean_mm * (1 + sizes.shared_error * scale) + sizes.mean_error_mm * student
    stretch = np.exp(sizes.spread_error * rng.standard_normal(DRAWS))
    shape = np.tile(np.asarray(sizes.quantiles_mm) - sizes.mean_mm, (DRAWS, 1))
    for bend in sizes.bends_mm:
        at = (np.arange(len(bend)) + 0.5) / len(bend)
        whole = np.interp((np.arange(shape.shape[1]) + 0.5) / shape.shape[1], at, bend)
        shape += rng.standard_normal(DRAWS)[:, np.newaxis] * whole
    drawn = mean[:, np.newaxis] + stretch[:, np.newaxis] * shape
    return np.sort(drawn, axis=1)

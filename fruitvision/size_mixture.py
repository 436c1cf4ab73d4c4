"""What diameters are true, where each was read with a known error: a smooth mixture.

The readings are a mixture of true sizes, each blurred by its own error. The mixture is the one
of highest penalised likelihood on a fine grid: log g(x), free of any formula, less a penalty on
its third derivative. A normal distribution costs nothing (its log is a parabola), so that few or
blurred readings give a normal one, and many show their own shape, two peaks as well as one.

How the mixture is fitted, and why so, stands in `size_fit`.

References
----------
Efron, Biometrika 103: 1 (2016): deconvolution of known errors by a smooth prior.
Hoeting et al., Statistical Science 14: 382 (1999): averages of models by their evidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.size_fit import LARGEST_MOVE, Fitted, fits_of, shares_of

Array = NDArray[np.float64]

# Steps of the grid in standard deviations of the true sizes, and how far it reaches beyond the
# mean. Our choice: finer ones move no class of 5 mm by 0.1 points.
GRID_STEP = 0.2
GRID_REACH = 4.0
# Most steps of the grid: readings far off do not make it long. Our choice.
MOST_STEPS = 100
# Readings are gathered into cells of a sixth of their error, and errors into steps of a tenth. Our
# choice: that adds 1/36/12 to the error's square, 0.2 %.
CELL_OF_ERROR = 1 / 6
ERROR_STEP = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class ReadSizes:
    """Diameters as they were read, (fruit,) each.

    Attributes
    ----------
    read_mm, errors_mm : (fruit,) float
        Diameters above 0 and their standard errors above 0.
    weights : (fruit,) float
        For how many fruit of the block each one stands; any unit.
    tree : (fruit,) int
        Number of its tree, from 0: fruit of one tree are alike.
    """

    read_mm: Array
    errors_mm: Array
    weights: Array
    tree: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class TrueSizes:
    """Distribution of the true diameters.

    Attributes
    ----------
    grid_mm : (steps,) float
        Middles of the steps.
    shares : (steps,) float
        Share of the fruit in each.
    resampled : (resamples, steps) float
        The same for trees drawn again.
    smoothing : float
        The likeliest one.
    """

    grid_mm: Array
    shares: Array
    resampled: Array
    smoothing: float

    def quantiles_mm(self, probabilities: Array) -> Array:
        """Diameters below which these shares of the fruit lie."""
        return _quantiles(self.grid_mm, self.shares, probabilities)

    def resampled_quantiles_mm(self, probabilities: Array) -> Array:
        """`quantiles_mm` of each resample, (resamples, probabilities)."""
        return np.array(
            [_quantiles(self.grid_mm, shares, probabilities) for shares in self.resampled]
        ).reshape(len(self.resampled), len(probabilities))


def error_growth(read_mm: Array, errors_mm: Array) -> float:
    """Power of the diameter with which the stated errors grow: 0 (alike for all) to 1 (a share).

    The slope of log error by log diameter. A photo states its error as a share of what it reads;
    that of a fruit then belongs to its true size, and not to the one it was read.
    """
    size, error = np.log(read_mm), np.log(errors_mm)
    spread = float(np.var(size))
    if spread == 0:
        return 0.0
    slope = float(np.mean((size - size.mean()) * (error - error.mean()))) / spread
    return min(max(slope, 0.0), 1.0)


def true_sizes(
    read: ReadSizes, *, effective_fruit: float, resamples: int, rng: np.random.Generator
) -> TrueSizes:
    """The distribution behind the readings, and what it would be had other trees been drawn.

    Trees are drawn again with replacement (cluster bootstrap); each draw moves the fit by one
    Newton step, as it lies near. The penalty is drawn with them, so that what it smooths away is
    in the spread of the draws.

    Parameters
    ----------
    effective_fruit : float
        Independent fruit that the readings are worth: fruit of one tree are alike.
    resamples : int
        Trees are drawn again so many times.

    Raises
    ------
    ValueError
        If there are fewer than 2 readings, or one or its error is not above 0.
    """
    if len(read.read_mm) < 2 or min(read.read_mm.min(), read.errors_mm.min()) <= 0:
        raise ValueError("need 2 or more readings and errors above 0")
    by_tree, cells_mm, errors_mm = _cells(read)
    by_tree *= effective_fruit / by_tree.sum()
    weights = by_tree.sum(axis=0)
    grid_mm, sd_mm, mean_mm = _grid(cells_mm, errors_mm, weights)
    growth = error_growth(read.read_mm, read.errors_mm)
    chances = _chances(grid_mm, cells_mm, errors_mm, growth)
    fits = fits_of(chances, weights, (grid_mm - mean_mm) / sd_mm)
    believed = shares_of(np.array([one.evidence for one in fits]))
    draws = rng.multinomial(resamples, believed)
    return TrueSizes(
        grid_mm=grid_mm,
        shares=np.asarray(believed @ np.array([one.shares for one in fits])),
        resampled=np.concatenate(
            [_resampled(one, by_tree, many, rng) for one, many in zip(fits, draws, strict=True)]
        ),
        smoothing=fits[int(believed.argmax())].smoothing,
    )


def share_below(grid_mm: Array, shares: Array, limits_mm: Sequence[float] | Array) -> Array:
    """Share of the fruit below each limit: `shares` spread evenly over the steps of a grid."""
    return np.interp(limits_mm, *_steps_up(grid_mm, shares))


# ---------------------------------------------------------------- what was read


def _cells(read: ReadSizes) -> tuple[Array, Array, Array]:
    """Readings gathered: weight by tree and cell (trees, cells), middle and error of each cell."""
    usual = float(np.average(read.errors_mm, weights=read.weights))
    size = np.rint(read.read_mm / (CELL_OF_ERROR * usual)).astype(int)
    level = np.rint(np.log(read.errors_mm) / ERROR_STEP).astype(int)
    _, cell = np.unique(np.stack([size, level]), axis=1, return_inverse=True)
    cell = cell.ravel()
    weights = np.zeros((int(read.tree.max()) + 1, int(cell.max()) + 1))
    np.add.at(weights, (read.tree, cell), read.weights)
    many = np.bincount(cell)
    return (
        weights,
        np.bincount(cell, read.read_mm) / many,
        np.bincount(cell, read.errors_mm) / many,
    )


def _grid(cells_mm: Array, errors_mm: Array, weights: Array) -> tuple[Array, float, float]:
    """Steps of true size, and the standard deviation and mean that they are measured by.

    True sizes lie within the readings, or near: a fruit read far off was read wrongly.
    """
    mean = float(np.average(cells_mm, weights=weights))
    seen = float(np.average((cells_mm - mean) ** 2, weights=weights))
    noise = float(np.average(errors_mm**2, weights=weights))
    # A spread that is all noise still needs a grid: a fifth of it is taken for true.
    sd = max(seen - noise, 0.2 * seen, 1e-6) ** 0.5
    low = min(float(cells_mm.min()), mean - GRID_REACH * sd)
    high = max(float(cells_mm.max()), mean + GRID_REACH * sd)
    low = max(low, float(cells_mm.min()) / 2)
    steps = min(MOST_STEPS, int((high - low) / (GRID_STEP * sd)) + 2)
    return np.linspace(low, high, steps), sd, mean


def _chances(grid_mm: Array, cells_mm: Array, errors_mm: Array, growth: float) -> Array:
    """Density of each reading if the fruit were of each size, (cells, steps)."""
    ratio = grid_mm / cells_mm[:, np.newaxis]
    sigma = errors_mm[:, np.newaxis] * ratio**growth
    away = (cells_mm[:, np.newaxis] - grid_mm) / sigma
    # A reading that no size explains must not make the whole likelihood 0.
    return np.asarray(np.exp(-(away**2) / 2) / sigma + 1e-300)


# ---------------------------------------------------------------- trees drawn again


def _resampled(fitted: Fitted, by_tree: Array, resamples: int, rng: np.random.Generator) -> Array:
    """Shares for trees drawn again; a single tree can't say how trees differ, its fruit stand in.

    With n trees the spread of draws with replacement is (n − 1)/n too small in variance. Where all
    fruit of a single tree read alike no draw differs, and only the penalty moves the fit.
    """
    groups = by_tree[by_tree.sum(axis=1) > 0]
    if len(groups) < 2:
        groups = np.diag(by_tree.sum(axis=0))
    trees = len(groups)
    drawn = rng.multinomial(trees, np.full(trees, 1 / trees), resamples) - 1.0
    moved = drawn @ (groups @ fitted.scores) * (trees / max(trees - 1, 1)) ** 0.5
    rough = rng.standard_normal((resamples, len(fitted.penalty_root))) @ fitted.penalty_root
    step = np.linalg.solve(fitted.curvature, (moved + rough).T).T
    # A step as long as the fit itself says that nothing is known there, not that fruit are many.
    return shares_of(fitted.log_shares + np.clip(step, -LARGEST_MOVE, LARGEST_MOVE))


def _steps_up(grid_mm: Array, shares: Array) -> tuple[Array, Array]:
    """Ends of the steps and the share below each."""
    half = (grid_mm[1] - grid_mm[0]) / 2
    ends = np.concatenate([[grid_mm[0] - half], grid_mm + half])
    return ends, np.concatenate([[0.0], np.cumsum(shares)])


def _quantiles(grid_mm: Array, shares: Array, probabilities: Array) -> Array:
    ends, below = _steps_up(grid_mm, shares)
    # Steps without fruit have no inverse: a hair of slope keeps the order.
    rising = below + 1e-12 * np.arange(len(below))
    return np.interp(probabilities, rising / rising[-1], ends)

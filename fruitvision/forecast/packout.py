"""Sizes → mass → share of each class, and what fills a carton or a bin.

A block's sizes keep their shape in all draws of the simulation: a fruit is so many standard
deviations from the mean, and so much heavier or lighter than others of its diameter. `FruitNodes`
holds that shape; a draw moves its mean, stretches it, and changes what a mm weighs. Classes are
then read from tables of the shape, so that no draw goes through its fruit one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import binom

from fruitvision.domain import SizeClass, SizeTable

Array = NDArray[np.float64]

# Steps of mass among fruit of one diameter. Our choice: shares are then within 0.002 of those of a
# lognormal scatter.
SCATTER_LEVELS = 7
# Terms of (mean + deviation)^b by the deviation; b = 3 needs four. Our choice: with five, b from 2
# to 4 is right to 0.01 % for fruit 30 % off the mean.
TERMS = 5
# Steps of the tables of the shape. Our choice: 0.04 mm for a range of 40 mm.
GRID = 1024


@dataclass(frozen=True, eq=False)
class FruitNodes:
    """Fruit that stand for all of a block.

    Attributes
    ----------
    deviations_mm : (nodes,) float
        Equally probable diameters less their mean, smallest first.
    scatter : (levels,) float
        Mass against the mean mass of a diameter; its weighted mean is 1.
    level_shares : (levels,) float
        Share of the fruit of a diameter at each level.
    """

    deviations_mm: Array
    scatter: Array
    level_shares: Array

    @cached_property
    def weights(self) -> Array:
        """Share of the fruit at each node and level, (nodes, levels)."""
        nodes = len(self.deviations_mm)
        return np.asarray(np.tile(self.level_shares / nodes, (nodes, 1)))

    @cached_property
    def limits_mm(self) -> Array:
        """Ends of the slabs that the nodes stand for, (nodes + 1,): midway between neighbours."""
        d = self.deviations_mm
        if len(d) == 1:
            return np.array([d[0] - NARROWEST_MM, d[0] + NARROWEST_MM])
        middle = (d[:-1] + d[1:]) / 2
        ends = (2 * d[0] - middle[0], 2 * d[-1] - middle[-1])
        limits = np.concatenate([[ends[0]], middle, [ends[1]]])
        # Equal fruit would make a slab without width.
        return np.asarray(limits + NARROWEST_MM * np.linspace(-1, 1, len(limits)))

    @cached_property
    def grid_mm(self) -> Array:
        """Steps of the tables of the shape, (GRID + 1,)."""
        return np.linspace(self.limits_mm[0], self.limits_mm[-1], GRID + 1)

    def masses_g(self, *, mean_mm: float, factor: float, power: float) -> Array:
        """Mass at each node and level about a mean diameter, (nodes, levels)."""
        diameters = np.maximum(mean_mm + self.deviations_mm, NARROWEST_MM)
        return np.asarray(factor * diameters[:, np.newaxis] ** power * self.scatter)


# Half the width of a distribution without spread, mm.
NARROWEST_MM = 1e-3


def fruit_nodes(quantiles_mm: Sequence[float], *, mean_mm: float, scatter: float) -> FruitNodes:
    """Nodes of a size distribution.

    Parameters
    ----------
    quantiles_mm : sequence of float
        Equally probable diameters, smallest first.
    mean_mm : float
        Their mean.
    scatter : float
        Coefficient of variation of mass among fruit of one diameter, taken as lognormal.
    """
    points, shares = np.polynomial.hermite_e.hermegauss(SCATTER_LEVELS if scatter > 0 else 1)
    levels = np.exp(float(np.sqrt(np.log1p(scatter**2))) * points)
    shares = shares / shares.sum()
    return FruitNodes(
        deviations_mm=np.asarray(quantiles_mm) - mean_mm,
        scatter=levels / float(levels @ shares),
        level_shares=shares,
    )


@dataclass(frozen=True, slots=True, eq=False)
class DrawnSizes:
    """Sizes of a block on one day in every draw, each (draws,), and the power of the weight rule.

    A node has the diameter mean_mm + stretch · deviation and the mass factor · diameter ** power.
    """

    mean_mm: Array
    stretch: Array
    factor: Array
    power: float


@dataclass(frozen=True, slots=True, eq=False)
class Sorted:
    """Fruit sorted into classes: below the table, its classes, above it.

    Attributes
    ----------
    shares : (draws, classes + 2) float
        Share of the crop by number; rows add up to the part of the crop that was sorted.
    mass_g : (draws, classes + 2) float, or None
        Mass in the class per fruit of the crop, g; None where every class is packed by number.
    total_g : (draws,) float
        Mass of what was sorted per fruit of the crop, g.
    """

    shares: Array
    mass_g: Array | None
    total_g: Array


def sort_into_classes(
    nodes: FruitNodes, weights: Array, sizes: DrawnSizes, table: SizeTable
) -> Sorted:
    """Share and mass of each class of the table.

    Parameters
    ----------
    nodes : FruitNodes
        The shape of the sizes.
    weights : (nodes, levels) float
        Share of the crop at each node that is sorted: all of it, or what one pass takes.
    sizes : DrawnSizes
        Where the shape lies in each draw.
    table : SizeTable
        Classes by mass (unit g) or by diameter (unit mm).
    """
    draws = len(sizes.mean_mm)
    edges = np.array([table.classes[0].low, *(one.high for one in table.classes)])
    terms = _terms(sizes)
    by_weight = not all(one.fruit_per_carton for one in table.classes)
    share = np.zeros((draws, len(edges)))
    mass = np.zeros_like(share) if by_weight else None
    for number, heavy, level in _levels(nodes, weights, table):
        at = _places(nodes, edges, level, sizes, table)
        share += _below(nodes, number, at)
        if mass is not None:
            mass += _mass_below(nodes, heavy, at, terms)
    powers = nodes.deviations_mm[:, np.newaxis] ** np.arange(TERMS)
    total = terms @ (powers.T @ (weights @ nodes.scatter))
    whole = np.full((draws, 1), float(weights.sum()))
    return Sorted(
        shares=_steps(share, whole),
        mass_g=None if mass is None else _steps(mass, total[:, np.newaxis]),
        total_g=total,
    )


def _steps(below: Array, whole: Array) -> Array:
    """What lies between edges, from what lies below each of them."""
    return np.diff(np.hstack([np.zeros_like(whole), below, whole]), axis=1)


def _terms(sizes: DrawnSizes) -> Array:
    """Factors of deviation^n in factor·(mean + stretch·deviation)^power, (draws, TERMS)."""
    n = np.arange(TERMS)
    ratio = (sizes.stretch / sizes.mean_mm)[:, np.newaxis] ** n
    whole = sizes.factor * sizes.mean_mm**sizes.power
    return np.asarray(whole[:, np.newaxis] * binom(sizes.power, n) * ratio)


def _levels(
    nodes: FruitNodes, weights: Array, table: SizeTable
) -> list[tuple[Array, Array, float]]:
    """Number and mass weights by node, and scatter, of each group that shares its edges in mm.

    Classes by diameter do not care how heavy a fruit is for its size, so that one group does.
    """
    if table.unit == "mm":
        return [(weights.sum(axis=1), weights @ nodes.scatter, 1.0)]
    return [
        (weights[:, index], weights[:, index] * level, float(level))
        for index, level in enumerate(nodes.scatter)
    ]


def _places(
    nodes: FruitNodes, edges: Array, level: float, sizes: DrawnSizes, table: SizeTable
) -> tuple[NDArray[np.intp], Array]:
    """Where each edge lies in the tables of the shape: whole steps and the rest, (draws, edges).

    A limit in g is that of the diameter at which fruit of that scatter weigh as much.
    """
    low, high = nodes.limits_mm[0], nodes.limits_mm[-1]
    scale = GRID / (high - low) / sizes.stretch
    if table.unit == "mm":
        at = np.multiply.outer(scale, edges)
    else:
        per_gram = sizes.factor ** (-1 / sizes.power)
        at = np.multiply.outer(scale * per_gram, (edges / level) ** (1 / sizes.power))
    at -= (scale * sizes.mean_mm + low * GRID / (high - low))[:, np.newaxis]
    np.maximum(at, 0.0, out=at)
    np.minimum(at, GRID - 1e-9, out=at)
    step = at.astype(np.intp)
    at -= step
    return step, at


def _below(nodes: FruitNodes, values: Array, at: tuple[NDArray[np.intp], Array]) -> Array:
    """Sum of the nodes' values below each place, which runs straight between the table's steps.

    `values` is (nodes,).
    """
    sums = np.concatenate([[0.0], np.cumsum(values)])
    table = np.interp(nodes.grid_mm, nodes.limits_mm, sums)
    step, part = at
    below: Array = np.diff(table)[step]
    below *= part
    below += table[step]
    return below


def _mass_below(
    nodes: FruitNodes, heavy: Array, at: tuple[NDArray[np.intp], Array], terms: Array
) -> Array:
    """Mass per fruit of the crop below each place, (draws, edges)."""
    mass = np.zeros(at[1].shape)
    for n in range(TERMS):
        mass += terms[:, n : n + 1] * _below(nodes, heavy * nodes.deviations_mm**n, at)
    return mass


# ---------------------------------------------------------------- cartons


def cartons_per_class(sorted_fruit: Sorted, *, packed_fruit: Array, table: SizeTable) -> Array:
    """Cartons of each class, (draws, classes): by number where the class has one, else by mass.

    Parameters
    ----------
    packed_fruit : (draws, classes) float
        The crop's fruit times the share of the class that is packed.
    """
    per_fruit = [
        _cartons_per_fruit(sorted_fruit, index, size_class, table.carton_kg)
        for index, size_class in enumerate(table.classes, start=1)
    ]
    return np.asarray(packed_fruit * np.stack(per_fruit, axis=1))


def _cartons_per_fruit(
    sorted_fruit: Sorted, column: int, size_class: SizeClass, carton_kg: float
) -> Array:
    if size_class.fruit_per_carton or sorted_fruit.mass_g is None:
        return np.asarray(sorted_fruit.shares[:, column] / (size_class.fruit_per_carton or 1))
    return np.asarray(sorted_fruit.mass_g[:, column] / 1000 / carton_kg)


def bins_per_acre(*, trees_per_acre: float, fruit_per_tree: float, fruit_per_bin: float) -> float:
    """Bins from an acre: trees × fruit ÷ fruit in a bin (Ontario, bin requirements)."""
    return trees_per_acre * fruit_per_tree / fruit_per_bin


def boxes_per_acre(*, trees_per_acre: float, fruit_per_tree: float, count: float) -> float:
    """Boxes from an acre: trees × fruit ÷ count (trade press, after T. Robinson)."""
    return trees_per_acre * fruit_per_tree / count

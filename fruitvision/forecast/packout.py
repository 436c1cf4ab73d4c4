"""Sizes → mass → share of each class, and what fills a carton or a bin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from fruitvision.domain import SizeTable

Array = NDArray[np.float64]

# Width of the smoothing of a diameter distribution given as quantiles, relative. Our choice: a
# hundredth of the diameter, a sixth of the spread among fruit.
DIAMETER_SMOOTHING = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Sorted:
    """Fruit sorted into classes: below the table, its classes, above it.

    Attributes
    ----------
    shares : (draws, classes + 2) float
        Share of the fruit by number; rows add up to 1.
    mass_g : (draws, classes + 2) float
        Mass in the class per fruit of the crop, g; rows add up to the mean mass of a fruit.
    """

    shares: Array
    mass_g: Array


def mass_from_diameter(
    diameter_mm: float | Array, *, factor_g_per_mm3: float | Array
) -> float | Array:
    """Mass of an apple, g: factor × D³ (printed count tables give 3.8e-4 g/mm³)."""
    return factor_g_per_mm3 * diameter_mm**3


def sort_into_classes(
    diameters_mm: Array, *, factor_g_per_mm3: Array, mass_scatter: float, table: SizeTable
) -> Sorted:
    """Share and mass of each class of the table.

    Parameters
    ----------
    diameters_mm : (draws, quantiles) float
        Equally probable diameters.
    factor_g_per_mm3 : (draws,) float
        Mass of a fruit is factor × D³ in the mean.
    mass_scatter : float
        Coefficient of variation of mass among fruit of one diameter, taken as lognormal.
    table : SizeTable
        Classes by mass (unit g) or by diameter (unit mm).
    """
    mass_g = mass_from_diameter(diameters_mm, factor_g_per_mm3=factor_g_per_mm3[:, np.newaxis])
    mean_mass_g = np.maximum(mass_g, 1e-9)
    if table.unit == "g":
        spread = float(np.sqrt(np.log1p(mass_scatter**2)))
        centre = np.log(mean_mass_g) - spread**2 / 2
        tilt = spread
    else:
        spread, tilt = DIAMETER_SMOOTHING, 0.0
        centre = np.log(np.maximum(diameters_mm, 1e-3))
    edges = [table.classes[0].low, *(size_class.high for size_class in table.classes)]
    below_share, below_mass = _below(np.log(edges), centre, max(spread, 1e-6), tilt, mean_mass_g)
    whole = np.ones((len(diameters_mm), 1))
    total_mass = mean_mass_g.mean(axis=1, keepdims=True)
    return Sorted(
        shares=np.diff(np.hstack([0 * whole, below_share, whole]), axis=1),
        mass_g=np.diff(np.hstack([0 * whole, below_mass, total_mass]), axis=1),
    )


def _below(
    log_edges: Array, centre: Array, spread: float, tilt: float, mean_mass_g: Array
) -> tuple[Array, Array]:
    """Share of fruit, and of mass, below each edge: (draws, edges) twice.

    For a lognormal mass, E[m; m < e] = E[m]·Φ(z − s) with z the standardised edge.
    """
    shares, masses = [], []
    for log_edge in log_edges:
        z = (log_edge - centre) / spread
        shares.append(ndtr(z).mean(axis=1))
        masses.append((mean_mass_g * ndtr(z - tilt)).mean(axis=1))
    return np.stack(shares, axis=1), np.stack(masses, axis=1)


def cartons_per_class(sorted_fruit: Sorted, *, packed_fruit: Array, table: SizeTable) -> Array:
    """Cartons of each class, (draws, classes): by number where the class has one, else by mass.

    Parameters
    ----------
    packed_fruit : (draws,) float
        Fruit of the crop that are packed, all sizes.
    """
    columns = []
    for index, size_class in enumerate(table.classes, start=1):
        if size_class.fruit_per_carton:
            per_fruit = sorted_fruit.shares[:, index] / size_class.fruit_per_carton
        else:
            per_fruit = sorted_fruit.mass_g[:, index] / 1000 / table.carton_kg
        columns.append(packed_fruit * per_fruit)
    return np.stack(columns, axis=1)


def bins_per_acre(*, trees_per_acre: float, fruit_per_tree: float, fruit_per_bin: float) -> float:
    """Bins from an acre: trees × fruit ÷ fruit in a bin (Ontario, bin requirements)."""
    return trees_per_acre * fruit_per_tree / fruit_per_bin

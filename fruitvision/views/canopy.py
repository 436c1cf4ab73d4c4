"""What the fruit seen twice tell of those seen once: how deep they hang, and their scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitvision.views.pose import Floats

# Fewest fruit of known depth that speak for the others. Our choice.
FEWEST = 8
# The entered spread of the canopy counts like so many fruit beside those of known depth, and no
# slope of the canopy counts like so many fruit against one. Our choice.
PRIOR_FRUIT = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Canopy:
    """A plane through the fruit of known depth: depth_mm = `level` + `slopes` · (x, y, of px), and
    the spread around it, with the standard error of the plane in the middle of the picture."""

    level_mm: float
    slopes: Floats
    middle_px: Floats
    spread_mm: float
    covariance: Floats

    def depth_at(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Depth of a fruit at a place of the picture, mm, and one standard error of it."""
        row = np.array([1.0, *(np.array([x_px, y_px]) - self.middle_px)])
        depth = self.level_mm + float(self.slopes @ row[1:])
        return depth, float(np.sqrt(self.spread_mm**2 + row @ self.covariance @ row))


def canopy_of(
    points_px: Floats, depths_mm: Floats, errors_mm: Floats, *, spread_mm: float
) -> Canopy | None:
    """The canopy around fruit of known depth; None if they are too few.

    Parameters
    ----------
    points_px : (N, 2) float
    depths_mm, errors_mm : (N,) float
        Depth along the optical axis and its standard error.
    spread_mm : float
        Spread that is taken where nothing is known: the farm's setting.

    Notes
    -----
    Ridge regression: the slopes are drawn towards 0, the spread towards the entered one.
    """
    if len(depths_mm) < FEWEST:
        return None
    middle = points_px.mean(axis=0)
    away = points_px - middle
    design = np.column_stack([np.ones(len(away)), away])
    # No slope counts like PRIOR_FRUIT fruit at the usual distance from the middle.
    hold = np.diag([0.0, *(PRIOR_FRUIT * np.maximum((away**2).mean(axis=0), 1.0))])
    normal = design.T @ design + hold
    plane = np.linalg.solve(normal, design.T @ depths_mm)
    rest = depths_mm - design @ plane
    variance = float((rest**2).sum() + PRIOR_FRUIT * spread_mm**2) / (len(rest) - 3 + PRIOR_FRUIT)
    variance = max(variance - float(np.mean(errors_mm**2)), (0.25 * spread_mm) ** 2)
    inverse = np.linalg.inv(normal)
    return Canopy(
        level_mm=float(plane[0]),
        slopes=plane[1:],
        middle_px=middle,
        spread_mm=float(np.sqrt(variance)),
        covariance=variance * inverse,
    )

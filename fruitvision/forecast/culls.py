"""Fruit of a size class that are not packed: shares and their errors, class by class."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import Losses, SizeTable
from fruitvision.errors import ForecastError, did_you_mean

Array = NDArray[np.float64]


def cull_errors(losses: Losses, table: SizeTable) -> Array:
    """Standard error of each class's cull share, (classes,): its own, else that of all classes."""
    own = {cull.size_class: cull.cull_share_error for cull in losses.culls_by_class}
    errors = (own.get(size_class.name) for size_class in table.classes)
    return np.array([losses.cull_share_error if error is None else error for error in errors])


def cull_shares(losses: Losses, table: SizeTable) -> Array:
    """Share of each class of the table that is not packed, (classes,).

    Raises
    ------
    ForecastError
        If a share is below 0 or above 1, or a class is not in the table.
    """
    names = [size_class.name for size_class in table.classes]
    of_class = {cull.size_class: cull.cull_share for cull in losses.culls_by_class}
    for name in of_class:
        if name not in names:
            raise ForecastError(
                f"Culls are given for a class '{name}' that the size table lacks.",
                fix=did_you_mean(name, names),
            )
    shares = np.array([of_class.get(name, losses.cull_share) for name in names])
    for name, share in zip(names, shares, strict=True):
        if not 0 <= share <= 1:
            raise ForecastError(
                f"The cull share of class {name} is {share:g}.", fix="Give a share from 0 to 1."
            )
    return np.asarray(shares)

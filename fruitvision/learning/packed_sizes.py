"""The sizes that packed cartons speak of: mean and spread by maximum likelihood on class limits.

Cartons tell how many fruit lie between two limits, not how large each is (grouped data; Cramér,
Mathematical Methods of Statistics, 1946, section 30.3). Of all moves of the forecast's own shape,
so many mm and so many times the spread, the likeliest is taken. Fruit outside the size table fill
no carton, so that shares within the table are compared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import PackedCartons, SizeTable
from fruitvision.learning.expected import ExpectedCrop, SizeMove

Array = NDArray[np.float64]

# Moves that are looked at: mm, and factor on the spread. Our choice: beyond these the papers are of
# another block.
MOST_MM = 20.0
MOST_STRETCH = 2.0
# The spread is told by three classes or more: two can be had by a mean alone.
CLASSES_FOR_SPREAD = 3
# Steps of a look, and looks, each a fifth as wide as the one before: to 0.001 mm.
STEPS, LOOKS = 25, 6
# A class of the forecast in which next to no fruit are expected still has this share, so that one
# stray carton does not rule out every move. Our choice.
SMALLEST_SHARE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedSizes:
    """What was packed, read as sizes of the received fruit.

    Attributes
    ----------
    move : SizeMove
        Against what the forecast expected.
    packed_fruit : float
        Fruit in the cartons.
    packed_kg : float
        Their weight.
    fits_spread : bool
        Whether the cartons tell the spread; else it is as expected.
    """

    move: SizeMove
    packed_fruit: float
    packed_kg: float
    fits_spread: bool


def packed_by_class(cartons: Sequence[PackedCartons], table: SizeTable) -> Array:
    """(classes,) cartons of each class of the table, all grades."""
    of_class: dict[str, float] = {}
    for one in cartons:
        of_class[one.size_class] = of_class.get(one.size_class, 0.0) + one.cartons
    return np.array([of_class.get(one.name, 0.0) for one in table.classes])


def fruit_by_class(cartons: Array, crop: ExpectedCrop, table: SizeTable) -> Array:
    """(classes,) fruit in so many cartons: by number where a class has one, else by weight."""
    grams = crop.class_g()
    per_carton = [
        float(one.fruit_per_carton or 1000 * table.carton_kg / gram)
        for one, gram in zip(table.classes, grams, strict=True)
    ]
    return np.asarray(cartons * np.array(per_carton))


def read_sizes(cartons: Array, crop: ExpectedCrop, table: SizeTable) -> PackedSizes | None:
    """The likeliest sizes behind cartons by class; None where none were packed.

    Parameters
    ----------
    cartons : (classes,) float
    crop : ExpectedCrop
        What the forecast expected, by the same table. Classes that are culled more have more fruit
        behind a carton.
    table : SizeTable
    """
    packed = fruit_by_class(cartons, crop, table)
    if packed.sum() <= 0:
        return None
    received = packed / np.maximum(1 - crop.cull_shares, 0.05)
    fits_spread = int((packed > 0).sum()) >= CLASSES_FOR_SPREAD
    return PackedSizes(
        move=likeliest_move(received, crop, fits_spread=fits_spread),
        packed_fruit=float(packed.sum()),
        packed_kg=float(packed @ crop.class_g() / 1000),
        fits_spread=fits_spread,
    )


def likeliest_move(number: Array, crop: ExpectedCrop, *, fits_spread: bool) -> SizeMove:
    """The move under which so many fruit a class are likeliest.

    The likelihood is a multinomial one on the classes; it is looked for on a grid that narrows
    about its highest point.
    """
    mm, width = 0.0, MOST_MM
    log_stretch, log_width = 0.0, float(np.log(MOST_STRETCH)) if fits_spread else 0.0
    for _ in range(LOOKS):
        all_mm = mm + np.linspace(-width, width, STEPS)
        logs = log_stretch + np.linspace(-log_width, log_width, STEPS if fits_spread else 1)
        grid_mm, grid_log = (one.ravel() for one in np.meshgrid(all_mm, logs))
        shares = np.maximum(crop.shares_of(grid_mm, np.exp(grid_log))[:, 1:-1], SMALLEST_SHARE)
        inside = shares / shares.sum(axis=1, keepdims=True)
        best = int(np.argmax(np.log(inside) @ number))
        mm, log_stretch = float(grid_mm[best]), float(grid_log[best])
        width, log_width = width / 5, log_width / 5
    return SizeMove(mm=mm, stretch=float(np.exp(log_stretch)))


def unknown_classes(cartons: Sequence[PackedCartons], table: SizeTable) -> Mapping[str, float]:
    """Cartons of classes that the table lacks, by class."""
    known = {one.name for one in table.classes}
    found: dict[str, float] = {}
    for one in cartons:
        if one.size_class not in known:
            found[one.size_class] = found.get(one.size_class, 0.0) + one.cartons
    return found

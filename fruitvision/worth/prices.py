"""Which price a carton has: the line that names most of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import CartonPrice, SizeTable
from fruitvision.forecast.grades import NOT_GRADED

Array = NDArray[np.float64]
Key = tuple[str, str, str]


class Prices:
    """The farm's prices, asked for by variety, size class and grade."""

    def __init__(self, lines: Iterable[CartonPrice]) -> None:
        self._of: dict[Key, float] = {
            _key(one.variety, one.size_class, one.grade): one.per_carton for one in lines
        }

    def __bool__(self) -> bool:
        return bool(self._of)

    def of(self, variety: str, size_class: str, grade: str = "") -> float | None:
        """What a carton brings; None if no line is of it.

        Of the lines that fit, that which names the variety comes before that which does not, then
        the one that names the class, then the one that names the grade. A carton without a grade
        has the price of no grade.
        """
        wanted = _key(variety, size_class, grade)
        for named in product((True, False), repeat=len(wanted)):
            line = tuple(part if stays else "" for part, stays in zip(wanted, named, strict=True))
            found = self._of.get(line)  # type: ignore[arg-type]
            if found is not None:
                return found
        return None

    def of_classes(
        self, variety: str, grade: str, table: SizeTable
    ) -> tuple[Array, tuple[str, ...]]:
        """Prices of a grade by class, (classes,), 0 where there is none; and the classes that have
        none."""
        name = "" if grade == NOT_GRADED else grade
        found = [self.of(variety, one.name, name) for one in table.classes]
        lacking = [
            one.name for one, price in zip(table.classes, found, strict=True) if price is None
        ]
        return np.array([price or 0.0 for price in found]), tuple(lacking)


def _key(variety: str, size_class: str, grade: str) -> Key:
    return variety.strip().casefold(), size_class.strip(), grade.strip().casefold()


def unused_classes(lines: Iterable[CartonPrice], table: SizeTable) -> tuple[str, ...]:
    """Classes that prices name and the size table lacks: those lines count for nothing."""
    known = {one.name for one in table.classes} | {""}
    return tuple(dict.fromkeys(one.size_class for one in lines if one.size_class not in known))


def value_of(
    cartons: Array, grades: Mapping[str, Array], variety: str, prices: Prices, table: SizeTable
) -> tuple[Array, tuple[str, ...]]:
    """What a block's cartons bring, (draws,), and its classes that are packed and have no price.

    `cartons` : (draws, classes); `grades` : the same by grade, empty where there are none.
    """
    parts: Mapping[str, Array] = grades or {NOT_GRADED: cartons}
    total = np.zeros(len(cartons))
    lacking: list[str] = []
    for grade, part in parts.items():
        of_class, without = prices.of_classes(variety, grade, table)
        total += part @ of_class
        lacking += _packed(without, part, table)
    return total, tuple(one.name for one in table.classes if one.name in lacking)


# A class of fewer expected cartons than this needs no price. Our choice: half a carton.
LEAST_CARTONS = 0.5


def _packed(names: Sequence[str], cartons: Array, table: SizeTable) -> list[str]:
    means = dict(zip((one.name for one in table.classes), cartons.mean(axis=0), strict=True))
    return [name for name in names if means[name] >= LEAST_CARTONS]

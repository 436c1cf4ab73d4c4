"""Packed cartons parted into grades, by the shares that the farm's packing line had."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from fruitvision.domain import ClassGrade, SizeTable
from fruitvision.errors import ForecastError, did_you_mean

Array = NDArray[np.float64]

# What holds the cartons of classes and blocks for which the farm gives no grades.
NOT_GRADED = "not graded"


def grade_shares(grades: Sequence[ClassGrade], table: SizeTable) -> dict[str, Array]:
    """Share of each class's packed fruit by grade, (classes,) each; they add up to 1 in a class.

    Classes without grades are `NOT_GRADED`. Empty if no class has grades.

    Raises
    ------
    ForecastError
        If a class is not in the table, or its shares are below 0 or all 0.
    """
    if not grades:
        return {}
    names = [one.name for one in table.classes]
    shares = {name: np.zeros(len(names)) for name in dict.fromkeys(row.grade for row in grades)}
    for row in grades:
        if row.size_class not in names:
            raise ForecastError(
                f"Grades are given for a class '{row.size_class}' that the size table lacks.",
                fix=did_you_mean(row.size_class, names),
            )
        shares[row.grade][names.index(row.size_class)] += row.share
    total = np.sum(list(shares.values()), axis=0)
    given = np.isin(names, [row.size_class for row in grades])
    if min(row.share for row in grades) < 0 or np.any(given & (total <= 0)):
        raise ForecastError(
            "The grades of a class have a share below 0, or none above it.",
            fix="Give shares of 0 or more that add up to 1.",
        )
    parted = {name: share / np.where(given, total, 1.0) for name, share in shares.items()}
    if not given.all():
        parted[NOT_GRADED] = np.where(given, 0.0, 1.0)
    return parted


def graded(
    cartons: Array | None, grades: Sequence[ClassGrade], table: SizeTable
) -> dict[str, Array]:
    """Cartons by grade, (draws, classes) each; they add up to `cartons`. Empty without grades."""
    if cartons is None:
        return {}
    return {name: cartons * share for name, share in grade_shares(grades, table).items()}


class AddedGrades:
    """Grades of crops, given as cartons and grades, added draw by draw and one after the other.

    Cartons of a crop without grades are `NOT_GRADED`.
    """

    def __init__(self) -> None:
        self._total: dict[str, Array] = {}
        self._graded = False

    def add(self, cartons: Array | None, grades: Mapping[str, Array]) -> None:
        """One crop more."""
        self._graded |= bool(grades)
        for name, part in (grades or ({} if cartons is None else {NOT_GRADED: cartons})).items():
            if name in self._total:
                self._total[name] += part
            else:
                self._total[name] = part.copy()

    def total(self) -> dict[str, Array]:
        """All grades, `NOT_GRADED` last wherever it came in. Empty if no crop has grades."""
        if not self._graded:
            return {}
        rest = {NOT_GRADED: self._total[NOT_GRADED]} if NOT_GRADED in self._total else {}
        return {name: one for name, one in self._total.items() if name != NOT_GRADED} | rest

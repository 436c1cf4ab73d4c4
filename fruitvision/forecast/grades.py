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


def add_grades(
    crops: Sequence[tuple[Array | None, Mapping[str, Array]]],
) -> dict[str, Array]:
    """Grades of several crops, given as cartons and grades, added draw by draw.

    Cartons of a crop without grades are `NOT_GRADED`. Empty if no crop has grades.
    """
    if not any(grades for _, grades in crops):
        return {}
    total: dict[str, Array] = {}
    for cartons, grades in crops:
        parts = grades or ({} if cartons is None else {NOT_GRADED: cartons})
        for name, part in parts.items():
            total[name] = total[name] + part if name in total else part
    if NOT_GRADED in total:
        # Named last, wherever it came in.
        total[NOT_GRADED] = total.pop(NOT_GRADED)
    return total

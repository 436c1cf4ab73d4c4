"""Which classes of a size table an order names: one, neighbouring ones, or all."""

from __future__ import annotations

import re

from fruitvision.domain import SizeTable
from fruitvision.errors import FieldDataError, did_you_mean

# What stands for all classes of the size table.
ALL_CLASSES = "all"
_DASH = re.compile(r"[-\u2010-\u2015\u2212]")


def classes_meant(text: str, table: SizeTable) -> frozenset[str]:
    """Names of the classes that "88", "80-100", "70-85" or "all" mean.

    A class of that name comes first; then the classes from one name to another, in any order; then,
    in classes that are no counts, those between two limits of the table, in its unit.

    Raises
    ------
    FieldDataError
        If it means no class of the table.
    """
    typed = _bare(text)
    names = [_bare(one.name) for one in table.classes]
    if typed == ALL_CLASSES:
        return _named(table, 0, len(names) - 1)
    if typed in names:
        index = names.index(typed)
        return _named(table, index, index)
    ends = _ends_by_name(typed, names) or _ends_by_limit(typed, table)
    if ends is None:
        raise FieldDataError(
            f"classes is '{text}', no class of {table.name} and no run of its classes.",
            fix=did_you_mean(text, [one.name for one in table.classes]),
        )
    return _named(table, min(ends), max(ends))


def _bare(text: str) -> str:
    """Without spaces, with one kind of dash, in small letters."""
    return _DASH.sub("-", "".join(text.split())).casefold()


def _named(table: SizeTable, first: int, last: int) -> frozenset[str]:
    return frozenset(one.name for one in table.classes[first : last + 1])


def _ends_by_name(typed: str, names: list[str]) -> tuple[int, int] | None:
    for dash in _DASH.finditer(typed):
        first, last = typed[: dash.start()], typed[dash.end() :]
        if first in names and last in names:
            return names.index(first), names.index(last)
    return None


def _ends_by_limit(typed: str, table: SizeTable) -> tuple[int, int] | None:
    lows = {f"{one.low:g}": index for index, one in enumerate(table.classes)}
    highs = {f"{one.high:g}": index for index, one in enumerate(table.classes)}
    low, dash, high = typed.partition("-")
    counts = any(one.fruit_per_carton is not None for one in table.classes)
    if counts or not dash or low not in lows or high not in highs or lows[low] > highs[high]:
        return None
    return lows[low], highs[high]

"""Which fields of a record the columns of a table tell; the others stay as the farm has them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields, replace
from typing import Any, TypeVar

Row = TypeVar("Row")

# Columns whose name is not that of the record's field.
_FIELDS = {
    "block": ("block_id",),
    "row_spacing_ft": ("row_spacing_m",),
    "tree_spacing_ft": ("tree_spacing_m",),
    "area_acres": ("area_ha",),
    "target_diameter_in": ("target_diameter_mm",),
    "trunk_girth_mm": ("trunk_area_cm2",),
    "trunk_girth_in": ("trunk_area_cm2",),
    "trunk_diameter_mm": ("trunk_area_cm2",),
    "trunk_diameter_in": ("trunk_area_cm2",),
    "kind": ("kind", "bearing_share"),
    "row": ("tree",),
    "position": ("tree",),
}


def fields_told(columns: Iterable[str]) -> frozenset[str]:
    """The fields of a record that these columns tell."""
    return frozenset(name for column in columns for name in _FIELDS.get(column, (column,)))


def with_fields_of(row: Row, there: Any, told: frozenset[str]) -> Row:
    """A row of which fields that were not told are as the farm has them; None: it has none."""
    if there is None:
        return row
    others = {
        field.name: getattr(there, field.name)
        for field in fields(row)  # type: ignore[arg-type]
        if field.name not in told
    }
    return replace(row, **others)  # type: ignore[type-var]

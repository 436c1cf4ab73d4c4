"""What the folder of a walk left as it was on the farm, and photos that it moved, in words."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path

from fruitvision.domain import FieldChange
from fruitvision.pipeline.known_blocks import KeptBlock
from fruitvision.pipeline.office import KeptRows
from fruitvision.pipeline.placing import MovedPhoto


def kept_lines(kept: Sequence[KeptBlock], table: Path, farm: Path) -> list[str]:
    """A line for each block of which the list of a walk says something else than the farm, and how
    to change it."""
    if not kept:
        return []
    command = f"fruitvision table load {shlex.quote(str(table))} --farm {shlex.quote(str(farm))}"
    return [
        *(
            f"{table.name} says of {one.block_id}: {'; '.join(map(_kept, one.fields))}. "
            "The farm's stays."
            for one in kept
        ),
        f"To change the farm by {table.name}: {command}",
    ]


def _kept(field: FieldChange) -> str:
    return f"{field.name} {_typed(field.after)}, the farm {_typed(field.before)}"


def _typed(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def kept_rows_lines(kept: Sequence[KeptRows]) -> list[str]:
    """A line for each table of the office that says something else than the farm."""
    return [
        f"{one.file} says something else of {', '.join(one.names)} than the farm. The farm's "
        "stays. To change it, load the table in a folder without a walk."
        for one in kept
    ]


def moved_lines(moved: Sequence[MovedPhoto]) -> list[str]:
    """Photos that the farm had at another tree or face."""
    return [
        f"{one.name} was {one.before.tree} face {one.before.face}, "
        f"and is {one.now.tree} face {one.now.face} now."
        for one in moved
    ]

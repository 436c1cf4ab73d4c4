"""What a dial is: a number with unit, default, valid range and source, in a frozen record.

Also the random streams: one for each seed, block and purpose, so that a new dial does not move what
the others draw.
"""

from __future__ import annotations

from dataclasses import field, fields
from typing import Any, ClassVar, Protocol

import numpy as np

from fruitvision.errors import SimulationError

# Purposes of the streams, 1 and up: numpy reads [seed, 0] as [seed].
REPLANTS, OFF_TREES, JUNE_DROP, PICKS, LEFT, CAUSES = 1, 2, 3, 4, 5, 6
FACES, SLIPS, FALSE_FRUIT, BINS = 7, 8, 9, 10


class _Record(Protocol):
    __dataclass_fields__: ClassVar[dict[str, Any]]


def dial(default: object, *, unit: str, low: float, high: float, source: str) -> Any:
    """A dataclass field that `check_dials` holds to its range.

    A tuple is held number by number. Its name ends in `_between` if it is the least and the most.
    """
    return field(
        default=default, metadata={"unit": unit, "low": low, "high": high, "source": source}
    )


def check_dials(record: _Record) -> None:
    """Refuse a record with a number out of its range.

    Raises
    ------
    SimulationError
        With the name of the dial, its value, and the valid range.
    """
    for one in fields(record):
        if "low" not in one.metadata:
            continue
        value = getattr(record, one.name)
        low, high, unit = one.metadata["low"], one.metadata["high"], one.metadata["unit"]
        numbers = value if isinstance(value, tuple) else (value,)
        whole = str(one.type) in ("int", "tuple[int, ...]")
        right = all(_is_number(number, whole) and low <= number <= high for number in numbers)
        if not right:
            refuse(
                one.name,
                value,
                f"{'a whole number' if whole else 'a number'}, {low} to {high} {unit}",
            )
        if one.name.endswith("_between") and not (len(numbers) == 2 and numbers[0] <= numbers[1]):
            refuse(one.name, value, "the least and the most, in this order")


def _is_number(value: object, whole: bool) -> bool:
    kinds = (int, np.integer) if whole else (int, float, np.integer, np.floating)
    return isinstance(value, kinds) and not isinstance(value, bool)


def refuse(name: str, value: object, valid: str) -> None:
    """Refuse a dial's value and say what is valid.

    Raises
    ------
    SimulationError
        Always.
    """
    raise SimulationError(f"The dial '{name}' is {value}.", fix=f"Valid: {valid}.")


def check_seed(seed: int) -> None:
    """Refuse a seed that numpy does not take.

    Raises
    ------
    SimulationError
        If it is no whole number of 0 or more.
    """
    if not _is_number(seed, whole=True) or not 0 <= seed < 2**63:
        raise SimulationError(
            f"The seed is {seed}.", fix="Give a whole number from 0 to 9223372036854775807."
        )


def stream(seed: int, letter: str, purpose: int) -> np.random.Generator:
    """Random numbers of one block for one purpose."""
    return np.random.default_rng([seed, ord(letter), purpose])

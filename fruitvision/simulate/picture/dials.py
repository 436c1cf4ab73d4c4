"""Checks of dials: a number out of range is refused with its name and the valid range."""

from __future__ import annotations

from fruitvision.errors import SimulationError


def check_number(name: str, value: float, low: float, high: float) -> None:
    """Refuse a dial that is not a number from `low` to `high`.

    Raises
    ------
    SimulationError
    """
    if not low <= value <= high:
        raise SimulationError(f"The dial {name} is {value:g}.", fix=f"Valid: {low:g} to {high:g}.")


def check_span(name: str, span: tuple[float, float], low: float, high: float) -> None:
    """Refuse a dial that is not two rising numbers within `low` to `high`.

    Raises
    ------
    SimulationError
    """
    for value in span:
        check_number(name, value, low, high)
    if span[0] > span[1]:
        raise SimulationError(
            f"The dial {name} runs from {span[0]:g} down to {span[1]:g}.",
            fix="Give the smaller number first.",
        )


def check_choice(name: str, value: str, valid: tuple[str, ...]) -> None:
    """Refuse a dial that is none of the names in `valid`.

    Raises
    ------
    SimulationError
    """
    if value not in valid:
        raise SimulationError(f"The dial {name} is '{value}'.", fix=f"Known: {', '.join(valid)}.")

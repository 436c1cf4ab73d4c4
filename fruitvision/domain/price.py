"""What a carton brings."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class CartonPrice:
    """What a carton of a variety's size class and grade brings, in the farm's own currency.

    An empty variety, class or grade stands for all that have no line of their own.
    `per_carton` : 0 or more; what the farm is paid, less what it pays for each carton if it likes.
    """

    per_carton: float
    variety: str = ""
    size_class: str = ""
    grade: str = ""

"""What buyers ordered."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderLine:
    """Cartons of one variety for one customer and week.

    Attributes
    ----------
    classes : str
        A class of the size table, neighbouring ones such as "80-100", or "all".
    week : date
        The Monday of the week in which they are to leave.
    cartons : int
        1 or more.
    firm : bool
        False for an option: filled from what firm orders leave.
    grade, pack : str
        Empty where any will do.
    """

    customer: str
    variety: str
    classes: str
    week: date
    cartons: int
    firm: bool = True
    grade: str = ""
    pack: str = ""

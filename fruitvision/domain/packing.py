"""What comes back after the pick: bin tickets."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True, kw_only=True)
class BinTicket:
    """Bins that left a block on one day.

    Attributes
    ----------
    ticket : str
        Its number at the packing house; a ticket that comes again replaces the one before.
    bins : float
        More than 0.
    pass_number : int
        1 for the first pass through the block; 0 where nobody wrote it.
    lot : str
        The lot that the bins became part of; empty where nobody wrote it.
    """

    ticket: str
    block_id: str
    picked_on: date
    bins: float
    pass_number: int = 0
    lot: str = ""

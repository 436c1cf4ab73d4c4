"""What comes back after the pick: bin tickets, packed lots, and what a season did to a block."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class LotPart:
    """Bins of one block in a lot; `pass_number` is 0 where nobody wrote it."""

    block_id: str
    bins: float
    pass_number: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedCartons:
    """Cartons of one size class and grade; `grade` is empty where the line has none."""

    size_class: str
    cartons: float
    grade: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CulledFruit:
    """Fruit that were not packed, by the packing house's own word for why; empty if not told."""

    cause: str
    kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedLot:
    """What the packing line made of a lot of bins.

    Attributes
    ----------
    lot : str
        Its number; a lot that comes again replaces the one before.
    variety, size_table : str
        Empty where nobody wrote it: then as the blocks of its bins, and as their forecast.
    parts : tuple of LotPart
        Whose bins it is made of, where the lot's own paper says so; bin tickets that name the lot
        have the word before it.
    culled : tuple of CulledFruit
        By weight and cause.
    cull_share : float or None
        Share of the received weight that was not packed, where no weights are known.
    bin_kg, fruit_per_bin : float or None
        Of its bins, where weighed or counted.
    """

    lot: str
    packed_on: date
    variety: str = ""
    size_table: str = ""
    parts: tuple[LotPart, ...] = ()
    cartons: tuple[PackedCartons, ...] = ()
    culled: tuple[CulledFruit, ...] = ()
    cull_share: float | None = None
    bin_kg: float | None = None
    fruit_per_bin: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonNote:
    """What bins and lots of a block can't tell of a season.

    Attributes
    ----------
    left_bins : float
        Left on the trees although they were to be picked.
    dropped_bins : float
        On the ground at the pick, beyond the usual fall.
    stolen_bins, direct_bins : float
        Stolen; sold to processing without a ticket.
    left_out : str
        Why nothing is to be learned of this season (hail, frost); empty: it counts.
    """

    block_id: str
    season: int
    left_bins: float = 0.0
    dropped_bins: float = 0.0
    stolen_bins: float = 0.0
    direct_bins: float = 0.0
    left_out: str = ""

    @property
    def missing_bins(self) -> float:
        """Bins that hung at the pick and never came in."""
        return self.left_bins + self.dropped_bins + self.stolen_bins + self.direct_bins

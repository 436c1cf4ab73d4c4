"""Where bins go after the pick: cold rooms."""

from __future__ import annotations

from dataclasses import dataclass

# Share of a room's bins that may come in warm on one day, so that the cooling keeps up. Common
# practice: about a tenth.
USUAL_DAILY_SHARE = 0.10


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdRoom:
    """A cold room, and how fast it may be filled.

    Attributes
    ----------
    bins : int
        Full bins that it holds.
    daily_share : float
        Part of them (0 to 1) that may come in on one day.
    variety : str
        The only variety that goes in; empty for a room that takes whichever comes first.
    """

    name: str
    bins: int
    daily_share: float = USUAL_DAILY_SHARE
    variety: str = ""

    @property
    def daily_bins(self) -> float:
        """Bins that may come in on one day."""
        return self.daily_share * self.bins

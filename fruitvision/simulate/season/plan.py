"""What is fixed about a block before its season is drawn: every dial with unit and source."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Expolinear growth of a mean fruit: exponential at first, then so many grams a day.

    Goudriaan and Monteith 1990, Annals of Botany 66: 695 (form from memory).
    """

    grams_per_day: float
    relative_rate_per_day: float
    linear_from: date
    # Diameter ~ mass ** (1 / power). Our choice, because a power below 3 (fruit get lighter for
    # their size as air space grows) keeps this truth apart from a straight line in D³.
    power: float

    def mass_g(self, day: date) -> float:
        """Mass of the mean fruit on that day, g."""
        days = (day - self.linear_from).days
        scale = self.grams_per_day / self.relative_rate_per_day
        return scale * float(np.logaddexp(0.0, self.relative_rate_per_day * days))


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockPlan:
    """What is fixed about a block before the season is drawn. All numbers are our invention."""

    block_id: str
    letter: str
    variety: str
    rows: int
    trees_per_row: int
    missing: int
    pollinizers: int
    walked_on: date
    pick_date: date
    earlier_calipers_on: date
    photographed: int
    hand_counted: int
    calipered: int
    fruit_per_tree: float
    diameter_mm: float
    growth: Growth


PLANS = (
    BlockPlan(
        block_id="Gala North",
        letter="G",
        variety="Gala",
        rows=6,
        trees_per_row=54,
        missing=9,
        pollinizers=12,
        walked_on=date(2026, 8, 12),
        pick_date=date(2026, 9, 3),
        earlier_calipers_on=date(2026, 7, 22),
        photographed=14,
        hand_counted=10,
        calipered=8,
        fruit_per_tree=75.0,
        diameter_mm=66.0,
        growth=Growth(
            grams_per_day=1.50,
            relative_rate_per_day=0.085,
            linear_from=date(2026, 6, 4),
            power=2.85,
        ),
    ),
    BlockPlan(
        block_id="Fuji Slope",
        letter="F",
        variety="Fuji",
        rows=5,
        trees_per_row=64,
        missing=8,
        pollinizers=11,
        walked_on=date(2026, 8, 13),
        pick_date=date(2026, 10, 2),
        earlier_calipers_on=date(2026, 7, 22),
        photographed=6,
        hand_counted=4,
        calipered=0,
        fruit_per_tree=60.0,
        diameter_mm=70.0,
        growth=Growth(
            grams_per_day=1.72,
            relative_rate_per_day=0.080,
            linear_from=date(2026, 6, 1),
            power=2.85,
        ),
    ),
)

"""A forecast that somebody gave to sales to work with."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenForecast:
    """The act of freezing a forecast: which one, by whom, when (with its time zone), and why.

    `number` runs from 1 on the farm; 0 while it is not stored. The highest one is the version that
    sales works with.
    """

    forecast_id: str
    frozen_by: str
    frozen_at: datetime
    note: str = ""
    number: int = 0

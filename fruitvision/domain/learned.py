"""What past seasons say of this farm's forecasts, and who said that it is to be used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum


class Stage(StrEnum):
    """How long before the first pick a forecast was made; the latest last.

    Our choice: a first outlook, the first quote, packaging and crews, the last look.
    """

    OUTLOOK = "more than 60 days before the pick"
    QUOTE = "31 to 60 days before the pick"
    PLAN = "15 to 30 days before the pick"
    LAST = "14 days or less before the pick"


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedNumber:
    """A correction with its standard error; `common_error` is the part of the error that all blocks
    of the farm share (added in squares to the block's own)."""

    value: float = 0.0
    error: float = 0.0
    common_error: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What a block's forecast of one stage is corrected by.

    Attributes
    ----------
    count : LearnedNumber
        Natural logarithm of the factor on the number of fruit.
    size_mm : LearnedNumber
        Added to every diameter at the pick, mm.
    cull : LearnedNumber
        Added to the share of the fruit that is not packed.
    cull_base : float
        Mean share of culls that `cull` was learned against.
    seasons, results : int
        Seasons of the farm, and of this block, that it rests on.
    latest_season : int
        The last of them: it corrects forecasts of later ones only; 0 where that was not kept.
    latest_pick : date or None
        The latest day, as forecast, that a pick of them began on: where blocks of one harvest are
        picked before and after New Year, the year does not tell later ones. None in earlier
        versions.
    who : str
        Who accepted it.
    """

    stage: Stage
    count: LearnedNumber = LearnedNumber()
    size_mm: LearnedNumber = LearnedNumber()
    cull: LearnedNumber = LearnedNumber()
    cull_base: float = 0.0
    seasons: int = 0
    results: int = 0
    latest_season: int = 0
    latest_pick: date | None = None
    who: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedChoice:
    """Somebody accepted or refused what was learned for a block; the latest word counts.

    `by_stage` : what was accepted, for each stage; empty where it was refused.
    """

    block_id: str
    accepted: bool
    who: str
    at: datetime
    by_stage: tuple[Learned, ...] = ()
    note: str = ""
    # Running number on the farm, from 1; 0 while it is not stored.
    number: int = 0

"""Dials of the harvest: what falls, what each pick takes, how heavy it is, what is not packed."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from fruitvision.simulate.season.dial import check_dials, dial, refuse


@dataclass(frozen=True, slots=True, kw_only=True)
class DropDials:
    """Fruit that fall between the walk and their pick: a hazard that may rise from day to day."""

    share_between: tuple[float, float] = dial(
        (0.03, 0.05),
        unit="of the fruit from walk to pick date, by season",
        low=0.0,
        high=0.9,
        source="common practice: 4 %; sensitive varieties lose 5-25 %",
    )
    hazard_growth_per_day: float = dial(
        0.0,
        unit="1/day, log rise of the daily hazard",
        low=0.0,
        high=0.5,
        source="our choice: the same every day; ripe fruit fall faster, 0.05 doubles in 14 days",
    )

    def __post_init__(self) -> None:
        check_dials(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class PickDials:
    """One strip pick, or several colour picks of which the last strips.

    `days_after_first` : of each pick after the block's pick date, so it starts with 0. `shares` :
    of the harvest that each takes, together 1.
    """

    days_after_first: tuple[int, ...] = dial(
        (0,), unit="days", low=0, high=120, source="our choice: one strip pick"
    )
    shares: tuple[float, ...] = dial(
        (1.0,), unit="of the harvest", low=0.0, high=1.0, source="our choice: one strip pick"
    )
    doubling_g: float = dial(
        20.0,
        unit="g more double the odds of being picked in a colour pick",
        low=1.0,
        high=1000.0,
        source="read in work on harvest size in several picks; about 20 g",
    )
    left_share_between: tuple[float, float] = dial(
        (0.0, 0.0),
        unit="of the fruit hanging at the last pick, by season",
        low=0.0,
        high=1.0,
        source="our choice: all are picked",
    )

    def __post_init__(self) -> None:
        check_dials(self)
        days = self.days_after_first
        if not days or days[0] != 0 or any(b <= a for a, b in pairwise(days)):
            refuse("days_after_first", days, "0 for the first pick, then rising numbers")
        if len(self.shares) != len(days) or abs(sum(self.shares) - 1.0) > 1e-9:
            refuse("shares", self.shares, f"{len(days)} shares that add up to 1, one a pick")
        if min(self.shares) <= 0.0:
            refuse("shares", self.shares, "each above 0; leave out a pick that takes nothing")


@dataclass(frozen=True, slots=True, kw_only=True)
class CullCause:
    """Why a picked fruit is not packed.

    `weight` : its part of all culls. `odds_per_10_mm` : how many times as often a fruit is culled
    for it that is 10 mm larger than the mean fruit; below 1 strikes small fruit.
    """

    name: str
    weight: float = dial(1.0, unit="part of the culls", low=0.0, high=1000.0, source="our choice")
    odds_per_10_mm: float = dial(
        1.0, unit="x per 10 mm", low=0.05, high=20.0, source="our choice: the same for all sizes"
    )

    def __post_init__(self) -> None:
        check_dials(self)


# Grade defects of 7 CFR 51.300-301 and what packing houses name first; their parts are our choice.
USUAL_CAUSES = (
    CullCause(name="colour", weight=35.0),
    CullCause(name="bruise", weight=25.0),
    CullCause(name="sunburn", weight=15.0),
    CullCause(name="russet", weight=10.0),
    CullCause(name="limb rub", weight=10.0),
    CullCause(name="hail", weight=5.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CullDials:
    """Picked fruit that are not packed."""

    share_between: tuple[float, float] = dial(
        (0.15, 0.22),
        unit="of the picked fruit, by season",
        low=0.0,
        high=0.95,
        source="Washington project PH-02-248 (2003): 15-25 %",
    )
    causes: tuple[CullCause, ...] = USUAL_CAUSES

    def __post_init__(self) -> None:
        check_dials(self)
        if not sum(cause.weight for cause in self.causes) > 0:
            refuse("causes", self.causes, "one cause or more with a weight above 0")
        names = [cause.name for cause in self.causes]
        if len(set(names)) < len(names):
            refuse("causes", ", ".join(names), "each name once")


@dataclass(frozen=True, slots=True, kw_only=True)
class MassDials:
    """Mass from diameter, mass_g = factor * diameter_mm ** 3, and what a carton holds."""

    factor_g_per_mm3: float = dial(
        3.8e-4,
        unit="g/mm³",
        low=1e-4,
        high=1e-3,
        source="middle of the printed count tables (Washington sheet 2010; Ontario), counts 72-125",
    )
    variety_spread: float = dial(
        0.04, unit="of the factor, either way", low=0.0, high=0.3, source="the same rows differ so"
    )
    scatter: float = dial(
        0.12,
        unit="CV among fruit of one diameter",
        low=0.0,
        high=0.5,
        source="New Zealand paper to the UNECE apple standard 2003: 22-29 % is two sd",
    )
    carton_kg: float = dial(
        0.0,
        unit="kg net, of classes without a count; 0: as the size table says",
        low=0.0,
        high=1000.0,
        source="our choice: as the table says",
    )

    def __post_init__(self) -> None:
        check_dials(self)

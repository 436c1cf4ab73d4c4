"""How long before the pick a forecast was made."""

from __future__ import annotations

from fruitvision.domain import Stage

# Fewest days before the first pick of each stage, the earliest stage first. Our choice: two weeks
# are what a crew and cartons are ordered in, a month and two what a first quote is given in.
FEWEST_DAYS = {Stage.OUTLOOK: 61, Stage.QUOTE: 31, Stage.PLAN: 15}


def stage_of(days_before_pick: int) -> Stage:
    """The stage of a forecast made so many days before the first pick (or after it, below 0)."""
    for stage, days in FEWEST_DAYS.items():
        if days_before_pick >= days:
            return stage
    return Stage.LAST


def nearest_first(stage: Stage) -> tuple[Stage, ...]:
    """All stages, that one first, then its neighbours; the later of two neighbours first."""
    order = list(Stage)
    here = order.index(stage)
    return tuple(
        sorted(order, key=lambda one: (abs(order.index(one) - here), here - order.index(one)))
    )

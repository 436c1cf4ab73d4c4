"""Empty bins and cold rooms of a harvest, in lines."""

from __future__ import annotations

from datetime import date
from math import ceil

from fruitvision.domain import Estimate
from fruitvision.harvest import BinStock, RoomDay, RoomPlan
from fruitvision.report.words import many, range_words

# Fewer than this are given with a decimal. Our choice.
FEW = 10
# What a plan of rooms is not; it stands beside every one.
ROOMS_CAUTION = (
    "A plan of places by P50, first come first served, one variety a room; bins come in on the day "
    "of the pick, and none leaves before the end. Ask those who run the cooling."
)


def few_words(estimate: Estimate) -> str:
    """With a decimal where there are few."""
    return range_words(estimate, digits=int(estimate.p90 < FEW))


def day_words(day: date) -> str:
    """`Thu 3 Sep`."""
    return f"{day:%a} {day.day} {day:%b}"


def stock_lines(stock: BinStock | None) -> list[str]:
    """Where empty bins go, and the most that are out at once; nothing without a harvest."""
    if stock is None:
        return []
    ahead = many(stock.ahead_days, "working day")
    waiting = many(stock.waiting_days, "day")
    lines = ["", f"  {'empty bins':<34}{'into the lanes on':<20}{'for':<16}{'bins':>8}"]
    lines += [
        f"  {f'{one.block_id}, pass {one.number}':<34}{day_words(one.place_on):<20}"
        f"{day_words(one.day):<16}{one.bins:>8,}"
        for one in stock.places
    ]
    return [
        *lines,
        f"Most bins out at once: {few_words(stock.peak)}, about {day_words(stock.peak_day)}; have "
        f"{ceil(stock.to_have):,}. Counted: in the lanes from {ahead} before the pick, full ones "
        f"until {waiting} after it. Bins in store come on top until they are emptied.",
    ]


def room_lines(plan: RoomPlan | None) -> list[str]:
    """Which cold room takes what, and on which days there is more; nothing without rooms."""
    if plan is None:
        return []
    lines = ["", f"  {'cold room':<20}{'variety':<20}{'from':<14}{'bins':>16}{'holds':>8}  full"]
    for one in plan.rooms:
        full = day_words(one.full_on) if one.full_on is not None else "–"
        lines.append(
            f"  {one.room.name:<20}{one.variety:<20}{day_words(one.first_day):<14}"
            f"{few_words(one.fill):>16}{one.room.bins:>8,}  {full}"
        )
    lines += [_over_line(one) for one in plan.days if one.bins_over]
    if plan.spare:
        lines.append(f"Not needed at P50: {', '.join(plan.spare)}.")
    return [*lines, ROOMS_CAUTION]


def _over_line(one: RoomDay) -> str:
    if not one.rooms:
        why = "no room is free for it"
    elif one.full:
        why = f"{', '.join(one.rooms)} full"
    else:
        why = f"{', '.join(one.rooms)} take {one.takes:,.0f} on that day"
    return (
        f"  ! {day_words(one.day)}: {one.variety} {few_words(one.arriving)} bins, {why}: "
        f"{few_words(one.over)} over."
    )

"""The calendar of a harvest in lines: passes, days, what is short, and cautions."""

from __future__ import annotations

from datetime import date
from math import ceil

from fruitvision.domain import Estimate
from fruitvision.harvest import HarvestCalendar, HarvestDay, Need, PassPlan
from fruitvision.report.words import many, range_words

# Usual cautions for a crew at work; they stand beside every calendar.
CREW_CAUTION = (
    "Ladders: as trained only, on even ground; better from the ground or a platform. Nobody walks "
    "where tractors, platforms or bins move. Heat: water, shade and rest. Keep out of a block "
    "until the re-entry time of its last spray is over, as label and local rules say."
)
# Fewer than this are given with a decimal. Our choice.
FEW = 10


def harvest_lines(calendar: HarvestCalendar) -> list[str]:
    """The passes, then the days with what is short, then what they rest on."""
    lines = [
        f"{calendar.farm}: harvest by forecast {calendar.forecast_id}",
        f"P50, with P10–P90 in brackets; {calendar.bins_per_picker_day:g} bins a picker and day of "
        "fruit of count 100, small fruit by their number.",
        "",
        f"  {'pass':<34}{'days':<20}{'bins':>16}{'to order':>10}{'picker-days':>18}",
        *(_pass_line(one) for one in calendar.passes),
        "",
        f"  {'day':<34}{'':<20}{'bins':>16}{'to order':>10}{'pickers':>18}",
    ]
    for day in calendar.days:
        lines += [_day_line(day), *_short_lines(day)]
    if calendar.total is not None:
        lines.append(_need_line("all", "", calendar.total))
    if calendar.unknown:
        lines += ["", f"Bins not known, so not in it: {', '.join(calendar.unknown)}."]
    return [
        *lines,
        "",
        "A pass whose day is not sure is spread over its working days; a range is that of how much "
        "comes in and how fast it is picked, not of when. P10, P50 and P90 of days do not add up; "
        "means do.",
        CREW_CAUTION,
    ]


def _pass_line(one: PassPlan) -> str:
    number = f", pass {one.number} of {one.passes}" if one.passes > 1 else ""
    return _need_line(one.block_id + number, _days_words(one), one.need)


def _need_line(name: str, days: str, need: Need) -> str:
    return (
        f"  {name:<34}{days:<20}{_few_words(need.bins):>16}{ceil(need.bins_to_order):>10,}"
        f"{_few_words(need.picker_days):>18}"
    )


def _few_words(estimate: Estimate) -> str:
    """With a decimal where there are few."""
    return range_words(estimate, digits=int(estimate.p90 < FEW))


def _days_words(one: PassPlan) -> str:
    if one.first_day == one.last_day:
        return _day_words(one.first_day)
    return f"{one.first_day.day} {one.first_day:%b} – {one.last_day.day} {one.last_day:%b}"


def _day_words(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _day_line(day: HarvestDay) -> str:
    blocks = ", ".join(dict.fromkeys(day.blocks))
    return _need_line(f"{_day_words(day.day)}: {blocks}", "", day.need)


def _short_lines(day: HarvestDay) -> list[str]:
    short = [
        *([many(day.pickers_short, "picker")] * (day.pickers_short > 0)),
        *([many(day.bins_short, "bin")] * (day.bins_short > 0)),
    ]
    return [f"  ! {_day_words(day.day)}: short of {' and '.join(short)} at P90."] if short else []

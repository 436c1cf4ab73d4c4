"""The calendar of a harvest in lines: passes, days, what is short, and cautions."""

from __future__ import annotations

from math import ceil

from fruitvision.harvest import HarvestCalendar, HarvestDay, Need, PassPlan
from fruitvision.report.harvest_stock import day_words, few_words, room_lines, stock_lines
from fruitvision.report.words import many

# Usual cautions for a crew at work; they stand beside every calendar.
CREW_CAUTION = (
    "Ladders: as trained only, on even ground; better from the ground or a platform. Nobody walks "
    "where tractors, platforms or bins move. Heat: water, shade and rest. Keep out of a block "
    "until the re-entry time of its last spray is over, as label and local rules say."
)


def harvest_lines(calendar: HarvestCalendar) -> list[str]:
    """The passes, then the days with what is short, then what they rest on."""
    lines = [
        f"{calendar.farm}: harvest by forecast {calendar.forecast_id}",
        f"P50, with P10–P90 in brackets; {calendar.bins_per_picker_day:g} bins a picker and day of "
        "fruit of count 100, small fruit by their number.",
        f"Crew: planned at {100 * calendar.quantiles.labour:.0f} %, with overtime to "
        f"{100 * calendar.overtime_quantile:.0f} % in brackets; bins to order at "
        f"{100 * calendar.quantiles.bins:.0f} %.",
        *_since_lines(calendar),
        "",
        f"  {'pass':<34}{'days':<20}{'bins':>16}{'to order':>10}{'picker-days':>18}{'crew':>12}",
        *(_pass_line(one) for one in calendar.passes),
        "",
        f"  {'day':<34}{'':<20}{'bins':>16}{'to order':>10}{'pickers':>18}{'crew':>12}",
    ]
    for day in calendar.days:
        lines += [_day_line(day), *_short_lines(day)]
    if calendar.total is not None:
        lines.append(_whole_line(calendar.total))
    if calendar.unknown:
        lines += ["", f"Bins not known, so not in it: {', '.join(calendar.unknown)}."]
    lines += [*stock_lines(calendar.stock), *room_lines(calendar.rooms)]
    return [
        *lines,
        "",
        "A pass whose day is not sure is spread over its working days; a range is that of how much "
        "comes in and how fast it is picked, not of when. P10, P50 and P90 of days do not add up; "
        "means do.",
        CREW_CAUTION,
    ]


def _since_lines(calendar: HarvestCalendar) -> list[str]:
    """What the calendar has beyond the forecast."""
    lines = []
    if calendar.moved:
        lines.append(
            f"By other passes than the forecast's: {', '.join(calendar.moved)}. Sales works on the "
            "forecast's dates until a new one is made and frozen."
        )
    if calendar.picked_bins:
        lines.append(
            f"{calendar.picked_bins:,.1f} bins are picked, by tickets; what follows is the rest."
        )
    return lines


def _pass_line(one: PassPlan) -> str:
    number = f", pass {one.number} of {one.passes}" if one.passes > 1 else ""
    return _need_line(one.block_id + number, _days_words(one), one.need)


def _need_line(name: str, days: str, need: Need) -> str:
    return (
        f"  {name:<34}{days:<20}{few_words(need.bins):>16}{ceil(need.bins_to_order):>10,}"
        f"{few_words(need.picker_days):>18}{_crew_words(need):>12}"
    )


def _whole_line(need: Need) -> str:
    return (
        f"Whole harvest: {few_words(need.bins)} bins, {few_words(need.picker_days)} picker-days. "
        "To order and crew are each for one pass or day alone and do not add up; how many bins "
        "are needed at once stands with the empty bins."
    )


def _crew_words(need: Need) -> str:
    return f"{ceil(need.pickers_planned):,} ({ceil(need.pickers_overtime):,})"


def _days_words(one: PassPlan) -> str:
    if one.first_day == one.last_day:
        return day_words(one.first_day)
    return f"{one.first_day.day} {one.first_day:%b} – {one.last_day.day} {one.last_day:%b}"


def _day_line(day: HarvestDay) -> str:
    blocks = ", ".join(dict.fromkeys(day.blocks))
    return _need_line(f"{day_words(day.day)}: {blocks}", "", day.need)


def _short_lines(day: HarvestDay) -> list[str]:
    short = [
        *([many(day.pickers_short, "picker")] * (day.pickers_short > 0)),
        *([many(day.bins_short, "bin")] * (day.bins_short > 0)),
    ]
    when = day_words(day.day)
    lines = [f"  ! {when}: short of {' and '.join(short)} at P90."] if short else []
    if day.rooms_over:
        over = many(day.rooms_over, "bin")
        lines.append(f"  ! {when}: {over} more than the cold rooms take on that day, at P90.")
    return lines

"""A forecast in lines: pack-out, weeks, blocks and their passes, uses, why it changed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from itertools import groupby

from fruitvision.domain import (
    Bridge,
    BridgeStep,
    ClassForecast,
    CropForecast,
    Estimate,
    Forecast,
    WeekForecast,
)
from fruitvision.forecast.other_cause import OtherCause, other_cause
from fruitvision.forecast.summary import ALL
from fruitvision.forecast.uses import (
    WORDS_OF_USE,
    UseNumber,
    is_firm,
    is_first_look,
    is_past,
    is_picked,
    use_numbers,
    whole_number,
)
from fruitvision.forecast.words import losses_words
from fruitvision.report.words import (
    CAUTION,
    doubt_lines,
    named_words,
    range_words,
    three,
    unit_words,
)
from fruitvision.unit_system import METRIC, Units

# A step of the bridge below half a carton is no change.
SMALLEST_STEP = 0.5


def forecast_lines(
    forecast: Forecast, units: Units = METRIC, earlier: Forecast | None = None
) -> list[str]:
    """Pack-out by variety and week, the blocks behind it, uses, changes, next action, caution.

    Parameters
    ----------
    earlier : Forecast, optional
        The one that its bridge starts from: names what stands behind the cause `other`.
    """
    lines = [
        f"{forecast.farm}: pack-out forecast of {forecast.made_on}{_number_words(forecast)}, "
        f"version {forecast.forecast_id}",
        *([f"What if: {forecast.what_if}. Not the forecast of record."] * bool(forecast.what_if)),
        f"P50, with P10–P90 in brackets; size table: {forecast.size_table}. The P50 of the classes "
        "need not add up to that of all.",
    ]
    for variety in forecast.varieties:
        lines += ["", *_variety_lines(variety, forecast.blocks, units)]
    if len(forecast.varieties) > 1:
        lines += [
            "",
            f"Farm: {_totals(forecast.total, units)}",
            *_rests_on(forecast.total, indent="  "),
        ]
    assumed = losses_words(forecast.inputs)
    lines += ["", assumed] if assumed else []
    lines += use_lines(forecast)
    lines += bridge_lines(forecast.bridge, other_cause(earlier, forecast) if earlier else None)
    return [*lines, "", f"Next best action: {forecast.next_action}", "", CAUTION]


def _number_words(forecast: Forecast) -> str:
    return f", number {forecast.number}" if forecast.number else ""


# ---------------------------------------------------------------- crops


def _variety_lines(
    variety: CropForecast, blocks: Sequence[CropForecast], units: Units
) -> list[str]:
    lines = [variety.variety]
    if variety.classes:
        lines.append(f"  {'class':<12}{'share %':>18}{'cartons':>28}")
        lines += [_class_line(row) for row in variety.classes if matters(row)]
        lines.append(f"  {'all':<12}{'':>18}{range_words(variety.cartons):>28}")
    elif variety.cartons is not None:
        lines.append(f"  {range_words(variety.cartons)} cartons; {NO_CLASSES}")
    lines += grade_lines(variety)
    lines += week_lines(variety.weeks)
    for block in blocks:
        if block.variety == variety.variety:
            lines += _block_lines(block, units)
    return lines


def grade_lines(crop: CropForecast) -> list[str]:
    """Cartons of each grade, all size classes together."""
    return [
        f"  {one.grade:<12}{'':>18}{range_words(one.cartons):>28}"
        for one in crop.grades
        if one.size_class == ALL
    ]


NO_CLASSES = "a first look, so no cartons by class."


def matters(row: ClassForecast) -> bool:
    """Whether a class has a chance of half a percent of the fruit, or of one carton."""
    return row.share.p90 >= 0.005 or row.cartons.p90 >= 1


def _class_line(row: ClassForecast) -> str:
    percent = Estimate(*(100 * value for value in three(row.share)))
    cartons = range_words(row.cartons) if row.cartons.p90 >= 1 else "–"
    return f"  {row.size_class:<12}{range_words(percent):>18}{cartons:>28}"


def _block_lines(block: CropForecast, units: Units) -> list[str]:
    week = f"week {block.pick_date.isocalendar().week}" if block.pick_date else ""
    lines = [f"  {block.name}, pick {block.pick_date} ({week}): {_totals(block, units)}"]
    if len(block.picks) > 1:
        lines += [
            f"    pass of {one.pick_date}: {range_words(one.fruit)} fruit, "
            f"{unit_words(one.diameter_mm, units.diameter, digits=1)}, "
            f"{named_words(one.bins, 'bins')}, {named_words(one.cartons, 'cartons')}"
            for one in block.picks
        ]
    lines += _rests_on(block, indent="    ")
    return [*lines, *(f"  {line}" for line in doubt_lines(block.doubts))]


def _rests_on(crop: CropForecast, *, indent: str) -> list[str]:
    return [f"{indent}{crop.rests_on}"] if crop.rests_on else []


def _totals(crop: CropForecast, units: Units) -> str:
    mass = unit_words(crop.tonnes, units.crop, digits=1)
    return (
        f"{range_words(crop.fruit)} fruit, "
        f"{unit_words(crop.diameter_mm, units.diameter, digits=1)}, "
        f"{named_words(crop.bins, 'bins')}, "
        f"{mass if crop.tonnes is not None else f'{units.crop.symbol} not known'}, "
        f"{named_words(crop.cartons, 'cartons')}"
    )


# ---------------------------------------------------------------- weeks


def week_lines(weeks: Sequence[WeekForecast]) -> list[str]:
    """The table of sales: cartons of each week and class, safe to promise, even chance, at most."""
    by_week = [(week, list(rows)) for week, rows in groupby(weeks, key=lambda row: row.week)]
    if not by_week:
        return []
    if len(by_week) == 1:
        return [f"  All of it comes in {week_words(by_week[0][0])}."]
    lines = [f"  {'cartons by week':<30}{'P10 (safe)':>12}{'P50':>10}{'P90':>10}"]
    for week, rows in by_week:
        lines.append(f"  {week_words(week)}")
        for row in [*rows[1:], rows[0]]:
            if row.cartons.p90 >= 1:
                numbers = [f"{value:,.0f}" for value in three(row.cartons)]
                lines.append(
                    f"    {row.size_class:<28}{numbers[0]:>12}{numbers[1]:>10}{numbers[2]:>10}"
                )
    return lines


def week_words(monday: date) -> str:
    """`week 36 (from 31 Aug)`."""
    return f"week {monday.isocalendar().week} (from {monday.day} {monday:%b})"


# ---------------------------------------------------------------- uses, changes


def use_lines(forecast: Forecast) -> list[str]:
    """The farm's number for each use, with the quantile that the farm has set for it."""
    numbers = [one for one in use_numbers(forecast) if one.level == "farm"]
    if not numbers:
        return []
    return [
        "",
        "Numbers to work with:",
        *(
            f"  {WORDS_OF_USE[one.use]:<20}{whole_number(one.value, one.use):>10,} {one.unit} "
            f"({_chance_words(one, forecast)})"
            for one in numbers
        ),
        *(
            f"  {line}"
            for line in [
                *first_look_lines(forecast),
                *past_lines(forecast),
                *picked_lines(forecast),
            ]
        ),
    ]


def _chance_words(one: UseNumber, forecast: Forecast) -> str:
    """What a number means; one to promise is of the firm blocks alone."""
    chance = f"less comes in with a chance of {100 * one.quantile:.0f} %"
    if one.use == "bins":
        return f"{chance}; if no bin is filled twice"
    if one.use != "promise":
        return chance
    firm = sum(map(is_firm, forecast.blocks))
    if not firm:
        return "no block is firm"
    if firm < len(forecast.blocks):
        at_most = chance.replace("chance of", "chance of at most")
        chance = f"without the blocks named below; of the others {at_most}"
    return f"{chance}; whole cartons, rounded down"


def first_look_lines(forecast: Forecast) -> list[str]:
    """Which blocks nothing is promised of, being first looks; nothing where none is."""
    names = [one.name for one in forecast.blocks if is_first_look(one)]
    words = f"Nothing is promised of {', '.join(names)}: a first look, too few trees."
    return [words] if names else []


def past_lines(forecast: Forecast) -> list[str]:
    """Which blocks were picked by plan when the forecast was made; nothing where none was."""
    names = [one.name for one in forecast.blocks if is_past(one) and not is_picked(one)]
    words = (
        f"Nothing is promised of {', '.join(names)}: the pick date was past when this forecast was "
        "made. Set it anew and forecast again."
    )
    return [words] if names else []


def picked_lines(forecast: Forecast) -> list[str]:
    """Which blocks were picked when the forecast was made, as somebody said."""
    names = [one.name for one in forecast.blocks if is_picked(one)]
    are, its = ("is", "its") if len(names) == 1 else ("are", "their")
    words = (
        f"{', '.join(names)} {are} picked: {its} last pass was marked finished. Nothing more is "
        f"promised of {'it' if len(names) == 1 else 'them'}; {its} cartons come from the packing "
        "house, and the numbers here are those that were forecast."
    )
    return [words] if names else []


def bridge_lines(bridge: Bridge | None, other: OtherCause | None = None) -> list[str]:
    """Why the expected cartons changed, one cause a line; `other` with what stands behind it."""
    if bridge is None:
        return []
    steps = [step for step in bridge.steps if abs(step.cartons) >= SMALLEST_STEP]
    if not steps:
        return ["", f"No change of the expected cartons since {bridge.earlier_id}."]
    return [
        "",
        f"Why it changed since {bridge.earlier_id}, in expected cartons:",
        f"  {'before':<20}{bridge.earlier_cartons:>10,.0f}",
        *(f"  {step.cause:<20}{step.cartons:>+10,.0f}{_behind(step, other)}" for step in steps),
        f"  {'now':<20}{bridge.cartons:>10,.0f}",
    ]


def _behind(step: BridgeStep, other: OtherCause | None) -> str:
    if step.cause != "other" or other is None or not other.is_known:
        return ""
    return f"  ({other_words(other)})"


def other_words(other: OtherCause) -> str:
    """`new block Mill; gone block Hill; another size table; settings cull_share`."""
    parts = [
        *(f"new block {name}" for name in other.came),
        *(f"gone block {name}" for name in other.went),
        *(["another size table"] if other.table else []),
        *([f"settings {', '.join(other.settings)}"] if other.settings else []),
    ]
    return "; ".join(parts)

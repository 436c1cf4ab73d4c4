"""What a farm's value hangs on, in words."""

from __future__ import annotations

from fruitvision.advice import Work
from fruitvision.report.words import many, range_words
from fruitvision.worth import BlockWorth, FarmWorth, WorthOfMeasure

WORTH_CAUTION = (
    "At stake: what a plan made on the mean is usually off by (one standard deviation of the "
    "forecast's own draws). Growth to the pick, weight rule and culls are in it, so a measure "
    "narrows it by less than the weight on the day of the walk, of which `fruitvision block` "
    "tells P10 to P90. Prices are yours; this is no offer."
)


def worth_lines(found: FarmWorth, currency: str) -> list[str]:
    """Blocks, what pays most to measure first, and what the farm's stake is made of."""
    unit = currency if found.in_money else "cartons"
    lines: list[str] = []
    if not found.in_money:
        lines.append("No prices are loaded (prices.csv): every carton counts alike.")
    for one in found.blocks:
        lines += _block_lines(one, unit)
    if found.value is not None:
        lines += _farm_lines(found, unit)
    return [*lines, *_lacking_lines(found)]


def _block_lines(one: BlockWorth, unit: str) -> list[str]:
    look = ", a first look" if one.first_look else ""
    head = f"{one.block_id} ({one.variety}{look}): {_amount(range_words(one.value), unit)}"
    lines = [f"{head}; at stake {_amount(f'{one.at_stake:,.0f}', unit)}"]
    lines += [f"  {_measure_words(measure, unit)}" for measure in one.measures]
    if one.picked:
        return [*lines, "  it is picked: nothing to measure any longer"]
    if one.past:
        return [*lines, "  its pick was past when the forecast was made: set the date anew first"]
    return lines if one.measures else [*lines, "  no measure narrows it"]


def _measure_words(one: WorthOfMeasure, unit: str) -> str:
    what = _work_words(one.measure.work, one.measure.more)
    per_hour = _amount(f"{one.per_hour:,.{_digits(one.per_hour)}f}", unit)
    then = f"{one.at_stake_then:,.{_digits(one.at_stake_then)}f}"
    minutes = f"{many(round(one.measure.minutes), 'minute')} with the way"
    return f"{per_hour} an hour: {what} ({minutes}), at stake then {then}"


def _work_words(work: Work, more: int) -> str:
    return {
        Work.PHOTOGRAPH: f"photograph {many(more, 'more tree')}",
        Work.COUNT: f"count {more} more of the photographed trees by hand",
        Work.CALIPER: f"caliper 10 fruit on each of {many(more, 'tree')}",
    }[work]


def _digits(value: float) -> int:
    """Small amounts, cartons above all, with one decimal."""
    return 1 if value < 20 else 0


def _amount(number: str, unit: str) -> str:
    return f"{number} {unit}".rstrip()


def _farm_lines(found: FarmWorth, unit: str) -> list[str]:
    value = _amount(range_words(found.value), unit)
    parts = ", ".join(
        f"{one.block_id} {one.part_of_farm / max(found.at_stake, 1e-9):.0%}" for one in found.blocks
    )
    return [
        f"Farm: {value}; at stake {_amount(f'{found.at_stake:,.0f}', unit)}, made of: {parts}.",
        f"Were each block's errors its own it would be {found.at_stake_alone:,.0f}: what blocks "
        "err by together (season, weight, culls, marker) does not average out.",
    ]


def _lacking_lines(found: FarmWorth) -> list[str]:
    lines = [
        f"{name}: cartons are not known, so that nothing is at stake yet. Count 5 trees by hand, "
        "or photograph with the marker, first."
        for name in found.unknown
    ]
    lines += [f"{name}: its variety has no price. Add it to prices.csv." for name in found.unpriced]
    lines += [
        f"{variety}: no price for {', '.join(classes)}; these count as worth nothing."
        for variety, classes in found.lacking.items()
    ]
    if found.unused:
        lines.append(
            f"Prices of {', '.join(found.unused)} are not used: the size table has no such class."
        )
    return lines

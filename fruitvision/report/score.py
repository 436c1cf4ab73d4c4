"""How forecasts went, and what was learned, in plain words for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from math import expm1

from fruitvision.domain import Learned, LearnedNumber, Stage
from fruitvision.learning.corrections import BELIEVABLE, Proposal
from fruitvision.learning.layers import Comparison
from fruitvision.learning.matching import Loose, SeasonResult
from fruitvision.learning.score import (
    Coverage,
    Score,
    StageScore,
    VarietyScore,
    is_inside,
    truth_of,
)
from fruitvision.report.words import many, range_words
from fruitvision.unit_system import METRIC, Units

NO_HISTORY = "No history yet: no season that was forecast has come back from the packing house."
# What each layer is called.
LAYERS = {"count": "the number of fruit", "size": "their size", "culls": "the culls"}
# Below these an error is none worth a word. Our choice: half a percent, a tenth of a mm, half a
# point.
SMALLEST_COUNT, SMALLEST_MM, SMALLEST_CULLS = 0.005, 0.05, 0.005


def score_lines(found: Score, units: Units = METRIC) -> list[str]:
    """Coverage, one line a block and season, errors by stage, one paragraph a variety."""
    if found.coverage is None and not found.last:
        return [NO_HISTORY, *_left_out_lines(found)]
    lines = [coverage_words(found.coverage), *_left_out_lines(found), ""]
    lines += [f"  {season}: {_inside_words(one)}" for season, one in found.by_season]
    lines += ["", "The last forecast of each block before its pick", _HEAD]
    lines += [_comparison_line(one) for one in found.last]
    lines += [
        "",
        "By stage, forecast against what came in: mean error, and usual error in brackets",
    ]
    lines += [_stage_line(one, units) for one in found.by_stage]
    for one in found.varieties:
        lines += ["", variety_words(one, units)]
    return lines


def being_picked_lines(found: Sequence[SeasonResult]) -> list[str]:
    """Blocks that are not judged yet, and what ends their harvest."""
    if not found:
        return []
    names = ", ".join(f"{one.block_id} {one.season}" for one in found)
    word = "is" if len(found) == 1 else "are"
    return [
        f"{many(len(found), 'block')} {word} still being picked: {names}. Not judged and not "
        "learned from until the last pass is marked finished (fruitvision harvest --done)."
    ]


def _left_out_lines(found: Score) -> list[str]:
    if not found.left_out:
        return []
    return [f"{many(found.left_out, 'result')} left out, with a reason of the farm's own."]


# ---------------------------------------------------------------- coverage


def coverage_words(found: Coverage | None) -> str:
    """`14 of 18 results ended inside P10–P90 …`."""
    if found is None:
        return NO_HISTORY
    return (
        f"{found.inside} of {many(found.of, 'result')} ended inside P10–P90; 8 of 10 should. "
        f"{found.of} can tell no more than {100 * found.low:.0f} to {100 * found.high:.0f} %, and "
        "less where blocks of one season err together."
    )


def _inside_words(found: Coverage) -> str:
    return f"{found.inside} of {found.of} inside P10–P90"


_HEAD = (
    f"  {'block':<24}{'season':>7}{'days before':>13}{'forecast':>32}{'came in':>10}{'inside':>8}"
)


def _comparison_line(one: Comparison) -> str:
    pair = truth_of(one)
    name = f"  {one.block_id:<24}{one.season:>7}{one.days_before:>13}"
    if pair is None:
        return f"{name}{'not known yet':>32}"
    unit = "cartons" if one.actual_cartons is not None and one.cartons is not None else "fruit"
    said = f"{range_words(pair[0])} {unit}"
    return f"{name}  {said:>30}{pair[1]:>10,.0f}{'yes' if is_inside(one) else 'NO':>8}"


# ---------------------------------------------------------------- errors


def _stage_line(one: StageScore, units: Units) -> str:
    parts = []
    if one.count is not None:
        parts.append(f"fruit {100 * one.count[0]:+.1f} % ({100 * one.count[1]:.1f})")
    if one.size_mm is not None:
        mean, usual = (_length(value, units) for value in one.size_mm)
        parts.append(f"size {mean} {units.diameter.symbol} ({usual.lstrip('+')})")
    if one.packed is not None:
        parts.append(f"packed {100 * one.packed[0]:+.1f} points ({100 * one.packed[1]:.1f})")
    inside = "" if one.coverage is None else f"; {_inside_words(one.coverage)}"
    return f"  {one.stage.value}: {', '.join(parts) or 'not known'}{inside}"


def variety_words(one: VarietyScore, units: Units = METRIC) -> str:
    """One paragraph: by how much the forecast was wrong, in which layer most, on what it rested."""
    errors = [_count_words(one), _size_words(one, units), _culls_words(one)]
    blocks = f", {many(len(one.blocks), 'block')}" if len(one.blocks) > 1 else ""
    text = (
        f"{one.variety} {one.season}{blocks}: forecast {many(one.days_before, 'day')} before the "
        f"pick was {', '.join(part for part in errors if part) or 'not compared'}."
    )
    if one.steps:
        steps = ", ".join(f"{LAYERS[step.cause]} {_signed(step.cartons)}" for step in one.steps)
        text += f" In cartons: {steps}. Main cause: {LAYERS[one.main_cause]}."
    if abs(one.late_days) >= 1:
        text += f" Picked {_late_words(one.late_days)} than planned ({_length(one.late_mm, units)} "
        text += f"{units.diameter.symbol}, not counted as an error)."
    counts = f"{many(one.trees, 'tree')} and {many(one.hand_counts, 'hand count')}"
    return f"{text} The number rested on {counts}."


def _signed(cartons: float) -> str:
    return f"{round(cartons):+,}" if round(cartons) else "0"


def _count_words(one: VarietyScore) -> str:
    if one.count is None:
        return ""
    if abs(one.count) < SMALLEST_COUNT:
        return "right in count"
    return f"{100 * abs(one.count):.0f} % {'high' if one.count > 0 else 'low'} in count"


def _size_words(one: VarietyScore, units: Units) -> str:
    if one.size_mm is None:
        return ""
    if abs(one.size_mm) < SMALLEST_MM:
        return "right in size"
    length = _length(abs(one.size_mm), units).lstrip("+")
    return f"{length} {units.diameter.symbol} {'high' if one.size_mm > 0 else 'low'} in size"


def _culls_words(one: VarietyScore) -> str:
    if one.packed is None:
        return ""
    if abs(one.packed) < SMALLEST_CULLS:
        return "pack-out as assumed"
    points = many(round(100 * abs(one.packed)), "point")
    return f"pack-out {points} {'higher' if one.packed > 0 else 'lower'} than assumed"


def _late_words(days: float) -> str:
    return f"{many(round(abs(days)), 'day')} {'later' if days > 0 else 'earlier'}"


def _length(mm: float, units: Units) -> str:
    """A difference of diameters with its sign, in the user's unit."""
    digits = units.diameter.decimals(1)
    return f"{units.diameter.shown(mm):+.{digits}f}"


# ---------------------------------------------------------------- what was learned


def loose_lines(loose: Sequence[Loose]) -> list[str]:
    """Tickets, lots and bins that match nothing."""
    if not loose:
        return []
    return ["Not matched:", *(f"  {one.name}: {one.what} {one.fix}" for one in loose)]


def proposal_lines(found: Sequence[Proposal], units: Units = METRIC) -> list[str]:
    """What each block's forecasts would be corrected by, by stage, and what was said of it."""
    if not found:
        return ["Nothing was learned yet: no season that was forecast has come back."]
    lines = [
        "Proposed corrections, ± one standard error. Nothing is used that nobody accepted.",
        f"  {'block':<20}{'made':<34}{'fruit':>16}{'size':>18}{'culls':>20}",
    ]
    for one in found:
        for number, stage in enumerate(Stage):
            name = one.block_id if number == 0 else ""
            lines.append(_proposal_line(name, one.of(stage), units))
        lines += _standing_lines(one)
    return lines


def _proposal_line(name: str, learned: Learned, units: Units) -> str:
    count = f"{100 * expm1(learned.count.value):+.1f} ± {100 * learned.count.error:.1f} %"
    size = f"{_pair(learned.size_mm, units)} {units.diameter.symbol}"
    culls = f"{100 * learned.cull.value:+.1f} ± {100 * learned.cull.error:.1f} points"
    return f"  {name:<20}{learned.stage.value:<34}{count:>16}{size:>18}{culls:>20}"


def _pair(number: LearnedNumber, units: Units) -> str:
    return f"{_length(number.value, units)} ± {_length(number.error, units).lstrip('+')}"


def _standing_lines(one: Proposal) -> list[str]:
    own = many(one.results, "season") if one.results else "no season"
    lines = [f"    rests on {own} of its own, {many(one.seasons, 'season')} of the farm"]
    lines += [f"    left out: {', '.join(one.left_out)}"] * bool(one.left_out)
    if not one.believable:
        results = ", ".join(one.far_off) or one.block_id
        lines.append(
            f"    not offered: more than {100 * BELIEVABLE:.0f} % is not believable; check the "
            f"tickets of {results}"
        )
    if one.choice is None:
        return [*lines, "    nobody accepted or refused it yet"]
    word = "accepted" if one.choice.accepted else "refused"
    why = f" ({one.choice.note})" if one.choice.note else ""
    lines.append(f"    {word} by {one.choice.who} on {one.choice.at:%Y-%m-%d}{why}")
    if one.choice.accepted and one.choice.by_stage != one.by_stage:
        lines.append("    what is used was learned before: accept again to use these numbers")
    return lines

"""What a score says, in the visitor's language and units."""

from __future__ import annotations

from math import expm1

from app.wording import number, percent, say, signed
from fruitvision.domain import Learned, LearnedNumber, Stage
from fruitvision.learning.score import Coverage, VarietyScore
from fruitvision.unit_system import Unit

# Below these an error is none worth a word. Our choice: half a percent, a tenth of a mm, half a
# point.
SMALLEST_COUNT, SMALLEST_MM, SMALLEST_CULLS = 0.005, 0.05, 0.005


def stage_words(stage: Stage) -> str:
    """`15 to 30 days before the pick`."""
    return say(f"score.stage_{stage.name.lower()}")


def coverage_words(found: Coverage) -> str:
    """`14 of 18`."""
    return say("score.of", inside=found.inside, of=found.of)


def variety_words(one: VarietyScore, unit: Unit) -> str:
    """One paragraph: by how much the forecast was wrong, in which layer most, on what it rested."""
    errors = [_count(one), _size(one, unit), _culls(one)]
    sentences = [
        say(
            "score.was",
            days=say("score.days", n=one.days_before),
            errors=", ".join(part for part in errors if part) or say("score.not_compared"),
        )
    ]
    if one.steps:
        steps = ", ".join(
            say("score.step", layer=layer_words(step.cause), cartons=signed(step.cartons))
            for step in one.steps
        )
        main = layer_words(one.main_cause)
        sentences.append(say("score.in_cartons", steps=steps, main=main))
    if abs(one.late_days) >= 1:
        days = say("score.days", n=round(abs(one.late_days)))
        gain = f"{signed_length(one.late_mm, unit)} {unit.symbol}"
        name = "score.picked_later" if one.late_days > 0 else "score.picked_earlier"
        sentences.append(say(name, days=days, gain=gain))
    trees, counts = say("score.trees", n=one.trees), say("score.counts", n=one.hand_counts)
    return " ".join([*sentences, say("score.rested", trees=trees, counts=counts)])


def layer_words(layer: str) -> str:
    """`the number of fruit`."""
    return say(f"score.layer_{layer}")


def _count(one: VarietyScore) -> str:
    if one.count is None:
        return ""
    if abs(one.count) < SMALLEST_COUNT:
        return say("score.count_right")
    name = "score.count_high" if one.count > 0 else "score.count_low"
    return say(name, percent=percent(abs(one.count)))


def _size(one: VarietyScore, unit: Unit) -> str:
    if one.size_mm is None:
        return ""
    if abs(one.size_mm) < SMALLEST_MM:
        return say("score.size_right")
    name = "score.size_high" if one.size_mm > 0 else "score.size_low"
    return say(name, length=f"{length(abs(one.size_mm), unit)} {unit.symbol}")


def _culls(one: VarietyScore) -> str:
    if one.packed is None:
        return ""
    if abs(one.packed) < SMALLEST_CULLS:
        return say("score.packed_right")
    name = "score.packed_higher" if one.packed > 0 else "score.packed_lower"
    return say(name, points=say("score.points", n=round(100 * abs(one.packed))))


# ---------------------------------------------------------------- numbers


def length(mm: float, unit: Unit) -> str:
    """A length in the user's unit, a tenth of a mm."""
    return number(unit.shown(mm), unit.decimals(1))


def signed_length(mm: float, unit: Unit) -> str:
    """The same with its sign."""
    return signed(unit.shown(mm), unit.decimals(1))


def count_correction(learned: Learned) -> str:
    """`+4.5 ± 6.3 %`."""
    value = expm1(learned.count.value)
    return f"{signed(100 * value, 1)} ± {percent(learned.count.error, 1)}"


def size_correction(size: LearnedNumber, unit: Unit) -> str:
    """`+0.1 ± 0.9 mm`."""
    return f"{signed_length(size.value, unit)} ± {length(size.error, unit)} {unit.symbol}"


def cull_correction(cull: LearnedNumber) -> str:
    """`−1.7 ± 2.2`, in points of a hundred."""
    return f"{signed(100 * cull.value, 1)} ± {number(100 * cull.error, 1)}"

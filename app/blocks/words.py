"""Where a block stands, in the visitor's words."""

from __future__ import annotations

import re

from app import show
from app.wording import measure, number, percent, say, sentence
from fruitvision.advice import Lack, Work
from fruitvision.attention_heights import THIRDS
from fruitvision.domain import Attention, BlockEstimate, Estimate
from fruitvision.pipeline.standing import BlockStanding, Todo, kind_of_work
from fruitvision.target import LoadAgainstTarget, SizeAgainstTarget, Standing
from fruitvision.trust import Grade, Reason, Trust, Why
from fruitvision.unit_system import Unit

# A grade is told by its words and by how many of three dots are full, never by colour.
SIGNS = {Grade.SOUND: "●●●", Grade.CARE: "●●○", Grade.FIRST_LOOK: "●○○"}
_GRADES = {
    Grade.SOUND: "blocks.grade_sound",
    Grade.CARE: "blocks.grade_care",
    Grade.FIRST_LOOK: "blocks.grade_first_look",
}
# What to do first, in a sentence or two.
LACKS = {
    Lack.HAND_COUNTS: "blocks.lack_count_first",
    Lack.SIZES: "blocks.lack_marker",
    Lack.REGISTER: "blocks.lack_register",
}
_PARTS = dict(
    zip(THIRDS, ("blocks.part_bottom", "blocks.part_middle", "blocks.part_top"), strict=True)
) | {"rest of the block": "blocks.part_rest"}
# Blocks that are named in a reason. Our choice: two fit on a phone.
NAMED = 2


def range_words(value: Estimate, digits: int = 0) -> str:
    """`71 (68–74)`."""
    low, mid, high = (number(one, digits) for one in (value.p10, value.p50, value.p90))
    return f"{mid} ({low}–{high})"


# ---------------------------------------------------------------- targets


def load_standing(found: LoadAgainstTarget) -> str:
    """`▲ 15 too many`."""
    fruit = number(abs(found.above))
    key = {
        Standing.ABOVE: "blocks.load_above",
        Standing.BELOW: "blocks.load_below",
        Standing.ON_TARGET: "blocks.load_on_target",
        Standing.CANT_TELL: "blocks.load_cant_tell",
    }[found.standing]
    return say(key, fruit=fruit)


def size_standing(found: SizeAgainstTarget) -> str:
    """`▼ 6 days behind`."""
    days = found.behind_days
    if days is None or found.standing is Standing.CANT_TELL:
        return say("blocks.size_cant_tell")
    if found.standing is Standing.ON_TARGET:
        return say("blocks.size_on_time")
    behind = found.standing is Standing.BELOW
    return say("blocks.size_behind" if behind else "blocks.size_ahead", n=abs(round(days.p50)))


def days_range(found: SizeAgainstTarget) -> str:
    """`2 to 11 days behind`, `3 days ahead to 4 behind`."""
    days = found.behind_days
    if days is None:
        return say("blocks.size_growth_unknown")
    low, high = round(days.p10), round(days.p90)
    if low >= 0:
        return say("blocks.days_behind", low=low, high=high)
    if high <= 0:
        return say("blocks.days_ahead", low=-high, high=-low)
    return say("blocks.days_both", ahead=-low, behind=high)


def size_needs(found: SizeAgainstTarget, unit: Unit) -> str:
    """`66.0 mm, needs 67.9 mm`."""
    return say(
        "blocks.size_needs",
        mean=measure(found.mean_mm.p50, unit, 1),
        needed=measure(found.needed_mm, unit, 1),
    )


# ---------------------------------------------------------------- trust


def grade(found: Grade) -> str:
    """The grade in words."""
    return say(_GRADES[found])


def half_range(found: Trust) -> str:
    """`crop known to ±9%`."""
    return say("blocks.half_range", percent=percent(found.half_range))


def reason(found: Reason) -> str:
    """One reason as a short sentence."""
    if found.why is Why.WIDE_RANGE:
        return say("blocks.why_wide_range", percent=percent(found.number / 100))
    if found.why is Why.OLD_FACTOR and not found.number:
        return say("blocks.why_old_factor_unknown")
    if found.why is Why.POOLED_FACTOR:
        if len(found.names) <= NAMED:
            return say("blocks.why_pooled_factor", names=", ".join(found.names))
        return say("blocks.why_pooled_many", n=found.number)
    return say(f"blocks.why_{found.why.value}", n=found.number)


# ---------------------------------------------------------------- next work


def todo(found: BlockStanding) -> str:
    """`12 more trees`."""
    odd = (
        [one for one in found.trust.reasons if one.why is Why.SUSPECT_PAIRS] if found.trust else []
    )
    if found.work.todo in (Todo.NOTHING, Todo.CALIPER) and odd:
        return say("blocks.todo_odd_counts", n=odd[0].number)
    if found.work.todo is Todo.NOTHING and found.off_target:
        return say("blocks.todo_decide")
    return say(f"blocks.todo_{found.work.todo.value}", n=found.work.number)


def gain(found: BlockStanding) -> str:
    """By how much the next work narrows the range, for how many minutes; empty if it is no step."""
    advice = found.walks.advice if found.walks else None
    if found.work.todo is Todo.PICK_PAST:
        return say("blocks.todo_pick_past_why")
    if found.work.todo is Todo.PICKED:
        return say("blocks.todo_picked_why", page=say("common.page_score"))
    if advice is None or advice.lack or advice.enough or not advice.steps:
        return ""
    best = advice.steps[0]
    return say(
        "blocks.gain",
        now=percent(advice.half_range),
        then=percent(best.half_range),
        minutes=number(best.minutes),
    )


def step(work: Work, more: int, estimate: BlockEstimate) -> str:
    """One kind of work in a sentence, `Photograph 12 more trees, from the same faces as before`."""
    return say(f"blocks.step_{kind_of_work(work, estimate).value}", n=more)


# ---------------------------------------------------------------- what stands out


def attention(found: Attention) -> str:
    """What stands out and by how much, in markdown."""
    middle, low, high = found.effect.p50, found.effect.p10, found.effect.p90
    chance = percent(max(found.noise_chance, 0.01))
    return say(
        "blocks.attention",
        where=show.plain(where(found)),
        what=say(f"blocks.what_{found.what}"),
        percent=percent(abs(middle)),
        side=say("blocks.side_above" if middle > 0 else "blocks.side_below"),
        low=signed_percent(low),
        high=signed_percent(high),
        chance=say("blocks.chance_under", percent=chance) if found.noise_chance < 0.01 else chance,
    )


def signed_percent(share: float) -> str:
    """`+12 %`: a change with its sign."""
    return f"{'+' if share > 0 else '−'}{percent(abs(share))}"


def where(found: Attention) -> str:
    """The block, a row of it, or a part of it."""
    after = found.where.removeprefix(found.block_id)
    row = re.fullmatch(r" row (\d+)", after)
    if row:
        return say("blocks.where_row", block=found.block_id, row=row[1])
    if not after:
        return found.block_id
    part = after.removeprefix(", ")
    return say(
        "blocks.where_part",
        block=found.block_id,
        part=say(_PARTS[part]) if part in _PARTS else part,
    )


def mean_without_target(found: BlockStanding, unit: Unit) -> str:
    """The mean diameter where it is not held against a curve, and why not."""
    sizes = found.walks.estimate.sizes if found.walks else None
    if sizes is None:
        return say("blocks.no_sizes")
    mean = measure(sizes.mean_mm, unit, 1)
    if found.block.target_diameter_mm is None:
        return say("blocks.size_no_target", mean=mean)
    if found.pick_day is None:
        return say("blocks.size_no_pick", mean=mean)
    return say("blocks.size_walk_after_pick", mean=mean)


def refused(found: BlockStanding) -> str:
    """Why a block could not be estimated, and what to do; empty if it could."""
    if found.refused is None:
        return ""
    return f"{sentence(found.refused.what)} {sentence(found.refused.fix)}"

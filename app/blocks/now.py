"""What one block holds now, against its targets, how far to trust it, and what to do next."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import session, show
from app.blocks import words
from app.charts_curve import size_curve as curve_chart
from app.show_chart import show_chart
from app.wording import day, day_span, measure, number, percent, ranged, say, sentence
from fruitvision.advice import Advice
from fruitvision.domain import (
    Attention,
    BlockEstimate,
    Doubts,
    Estimate,
    GrowthRate,
    HiddenFruitFactor,
)
from fruitvision.pipeline import BlockWalks
from fruitvision.pipeline.standing import BlockStanding
from fruitvision.target import LoadAgainstTarget, SizeAgainstTarget, mean_range_mm, size_curve
from fruitvision.trust import Trust
from fruitvision.unit_system import Unit, Units


def headline(standing: BlockStanding, walks: BlockWalks) -> None:
    """The block's numbers with their ranges, and the doubts that stand beside them."""
    now, unit = walks.estimate, session.units().diameter
    mean = mean_range_mm(now.sizes) if now.sizes else None
    bins = standing.crop.bins if standing.crop else None
    show.numbers(
        [
            _number(say("blocks.now_load"), now.fruit_per_tree),
            _number(say("blocks.now_total"), now.fruit_total),
            _number(say("blocks.now_mean"), mean, digits=1, unit=unit),
            *([_number(say("blocks.now_bins"), bins, digits=1)] if standing.crop else []),
            _factor(now.factor),
            (
                say("blocks.now_trees"),
                number(now.trees_seen),
                say("blocks.now_trees_below", trees=number(walks.check.register_trees)),
            ),
        ]
    )
    st.caption(
        say(
            "blocks.caption",
            variety=show.plain(standing.block.variety),
            walked=day(now.walked_on),
            pick=day_span(standing.pick_days),
        )
    )
    _doubts(now.doubts)
    st.write(growth_words(walks.growth, session.units()))
    _doubts(walks.growth.doubts)


def _doubts(found: Doubts) -> None:
    show.doubts((), [sentence(doubt.words) for doubt in found])


def _number(
    what: str, value: Estimate | None, *, digits: int = 0, unit: Unit | None = None
) -> tuple[str, str, str]:
    """A number with its P10 to P90 for `show.numbers`, in a visitor's unit where it has one."""
    if value is None:
        return what, say("common.not_known"), say("blocks.now_unknown")
    low, mid, high = (unit.shown(one) if unit else one for one in (value.p10, value.p50, value.p90))
    digits = unit.decimals(digits) if unit else digits
    after = f" {unit.symbol}" if unit else ""
    span = f"{number(low, digits)}–{number(high, digits)}{after}"
    return what, f"{number(mid, digits)}{after}", span


def _factor(found: HiddenFruitFactor | None) -> tuple[str, str, str]:
    what = say("blocks.now_factor")
    if found is None:
        return what, say("blocks.now_factor_none"), say("blocks.now_factor_none_below")
    below = say("blocks.now_factor_below", n=found.trees, error=number(found.factor_error, 2))
    return what, number(found.factor, 2), below


def growth_words(growth: GrowthRate, units: Units) -> str:
    """The growth rate in a sentence, in markdown."""
    unit = units.cube
    rate, error = (
        number(unit.shown(value), unit.decimals(0))
        for value in (growth.mm3_per_day, growth.mm3_per_day_error)
    )
    source = show.plain(sentence(growth.source))
    return say("blocks.growth", rate=rate, error=error, unit=unit.symbol, source=source)


# ---------------------------------------------------------------- targets


def targets(standing: BlockStanding, walks: BlockWalks) -> None:
    """Load and size against the block's targets, with the curve of the size."""
    st.subheader(say("blocks.targets"))
    block = standing.block
    if block.target_fruit_per_tree is None and block.target_diameter_mm is None:
        st.write(say("blocks.targets_none"))
        session.page_link("screens/setup.py", label=say("blocks.to_setup"))
        return
    unit = session.units().diameter
    if standing.load is not None:
        st.write(_load_sentence(standing.load))
    if standing.size is not None:
        st.write(_size_sentence(standing.size, unit, len(standing.pick_days)))
        _curve(standing.size, walks, unit)
    elif block.target_diameter_mm is not None:
        st.write(words.mean_without_target(standing, unit))


def _load_sentence(found: LoadAgainstTarget) -> str:
    return say(
        "blocks.load_sentence",
        range=words.range_words(found.fruit_per_tree),
        target=number(found.target),
        standing=words.load_standing(found),
    )


def _size_sentence(found: SizeAgainstTarget, unit: Unit, passes: int) -> str:
    """`passes` : of several, the day is the mean one."""
    standing = say(
        "blocks.days_sentence", standing=words.size_standing(found), range=words.days_range(found)
    )
    return say(
        "blocks.size_sentence_passes" if passes > 1 else "blocks.size_sentence",
        day=found.measured_on,
        mean=ranged(found.mean_mm, 1, unit),
        target=measure(found.target_mm, unit, 1),
        pick=found.pick_day,
        needed=measure(found.needed_mm, unit, 1),
        standing=standing,
    )


def _curve(found: SizeAgainstTarget, walks: BlockWalks, unit: Unit) -> None:
    sizes = walks.estimate.sizes
    if sizes is not None and found.pick_day > found.measured_on:
        curve = size_curve(found, sizes, walks.growth)
        show_chart(curve_chart(found, curve, unit))


# ---------------------------------------------------------------- trust, next work


def trust(found: Trust) -> None:
    """The grade, and every reason."""
    st.subheader(say("blocks.trust"))
    st.markdown(
        say(
            "blocks.trust_grade",
            sign=words.SIGNS[found.grade],
            grade=words.grade(found.grade),
            range=words.half_range(found),
        )
    )
    reasons = [words.reason(one) for one in found.reasons] or [say("blocks.nothing_against")]
    st.markdown("\n".join(f"- {show.plain(text)}" for text in reasons))


def next_step(walks: BlockWalks) -> None:
    """How wide the range is, and what would narrow it."""
    st.subheader(say("blocks.next"))
    st.markdown(f"**{_advice_words(walks.advice, walks.estimate)}**")
    if walks.advice.steps and not walks.advice.enough:
        _steps(walks.advice, walks.estimate)


def _advice_words(advice: Advice, estimate: BlockEstimate) -> str:
    if advice.lack is not None:
        return say(words.LACKS[advice.lack])
    now = percent(advice.half_range)
    if advice.enough:
        return say("blocks.enough", percent=now)
    if not advice.steps:
        return say("blocks.little", percent=now)
    best = advice.steps[0]
    return say(
        "blocks.best",
        step=words.step(best.work, best.more, estimate),
        now=now,
        then=percent(best.half_range),
    )


def _steps(advice: Advice, estimate: BlockEstimate) -> None:
    """What would narrow the range, the best for its work first."""
    show.table(
        [
            {
                say("blocks.step"): words.step(step.work, step.more, estimate),
                say("blocks.step_range"): f"±{percent(step.half_range)}",
                say("blocks.step_minutes"): number(step.minutes),
            }
            for step in advice.steps
        ]
    )


def standing_out(found: Sequence[Attention]) -> None:
    """What stands out from its like."""
    st.subheader(say("blocks.standing_out"))
    if not found:
        st.write(say("blocks.nothing_stands_out"))
        return
    st.write(say("blocks.standing_out_note"))
    st.markdown("\n".join(f"- {words.attention(one)}" for one in found))

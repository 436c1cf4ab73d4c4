"""A block's thinning check: too many fruit or not, what to take off, and what it still brings."""

from __future__ import annotations

import streamlit as st

from app import session, show
from app.charts_thinning import load_chart
from app.show_chart import show_chart
from app.wording import measure, number, percent, ranged, say
from fruitvision.domain import Estimate
from fruitvision.pipeline.standing import BlockStanding
from fruitvision.pipeline.thinning import thinning_of
from fruitvision.store import FarmStore
from fruitvision.thinning import MoreTrees, ThinningCheck, Verdict
from fruitvision.thinning_effect import Lateness, ReturnBloom, SizeGain
from fruitvision.unit_system import Unit

_LATENESS = {
    Lateness.EARLY: "planning.early",
    Lateness.LATE: "planning.late",
    Lateness.NO_BLOOM: "planning.no_bloom",
    Lateness.OTHER_YEAR: "planning.other_year",
}
_BLOOM = {
    ReturnBloom.GOOD: "planning.bloom_good",
    ReturnBloom.UNSURE: "planning.bloom_unsure",
    ReturnBloom.AT_RISK: "planning.bloom_at_risk",
    ReturnBloom.NO_TRUNK: "planning.bloom_no_trunk",
}


# Verdicts with which it matters how late it is.
_OPEN = (Verdict.TAKE_OFF, Verdict.COUNT_MORE)


def thinning_part(standing: BlockStanding, store: FarmStore) -> None:
    """What the load asks for, a picture of it, and what stands behind it."""
    plan = store.pick_plans().get(standing.block.block_id)
    found = thinning_of(standing, session.settings(), on=session.today(), plan=plan)
    if found is None:
        return
    st.subheader(say("planning.thinning"))
    st.markdown(f"**{show.plain(verdict(found))}**")
    if found.verdict is Verdict.TOO_LATE:
        return
    chart = load_chart(found, standing.block)
    if chart is not None:
        show_chart(chart)
    facts = _facts(found, session.units().diameter)
    st.markdown("\n".join(f"- {show.plain(fact)}" for fact in facts))
    if _lacks_an_entry(found):
        session.page_link("screens/setup.py", label=say("planning.to_setup"))
    if found.verdict is Verdict.TAKE_OFF:
        st.caption(say("planning.tip"))
        st.caption(say("planning.caution"))


def _lacks_an_entry(found: ThinningCheck) -> bool:
    """Whether a sentence asks for something that is typed in Set-up."""
    no_day = found.lateness in (Lateness.NO_BLOOM, Lateness.OTHER_YEAR)
    no_trunk = found.load_per_cm2 is None and (
        found.take_off is not None or found.return_bloom is not None
    )
    return found.verdict is Verdict.NO_TARGET or no_trunk or (found.verdict in _OPEN and no_day)


def verdict(found: ThinningCheck) -> str:
    """What the load asks for, in a sentence."""
    if found.verdict is Verdict.TOO_LATE:
        return too_late(found)
    if found.take_off is not None and found.total is not None:
        if found.visible_only:
            return say("planning.take_off_least", low=number(found.take_off.p10))
        return say(
            "planning.take_off",
            low=number(found.take_off.p10),
            high=number(found.take_off.p90),
            total_low=number(found.total.p10),
            total_high=number(found.total.p90),
        )
    if found.more is not None:
        return _more(found.more, panels=found.panels)
    return say(f"planning.{found.verdict.value}")


def too_late(found: ThinningCheck) -> str:
    """That nothing is taken off for size any longer, and by how much the load is above target."""
    if found.take_off is None:
        return say("planning.too_late_open")
    key = "planning.too_late_packout" if found.for_packout else "planning.too_late"
    low, high = number(found.take_off.p10), number(found.take_off.p90)
    if found.visible_only:
        return say(f"{key}_least", low=low)
    return say(f"{key}_above", low=low, high=high)


def _more(more: MoreTrees, *, panels: bool) -> str:
    key = f"planning.count_more{'_panels' if panels else ''}{'_hand' if more.hand_counts else ''}"
    minutes = number(more.minutes)
    if more.hand_counts:
        return say(key, n=more.trees, counts=more.hand_counts, minutes=minutes)
    return say(key, n=more.trees, minutes=minutes)


def _facts(found: ThinningCheck, unit: Unit) -> list[str]:
    facts = [say("planning.by_trunk")] if found.by_trunk else []
    if found.load_per_cm2 is not None:
        facts.append(_on_the_trunk(found, found.load_per_cm2))
    if found.verdict in _OPEN:
        facts.append(say(_LATENESS[found.lateness], **_days(found)))
    if found.take_off is not None:
        facts += [_hours(found.hours), *_size(found, unit)]
    if found.return_bloom is not None:
        facts.append(say(_BLOOM[found.return_bloom]))
    return facts


def _days(found: ThinningCheck) -> dict[str, int]:
    return {} if found.days_after_bloom is None else {"n": found.days_after_bloom}


def _on_the_trunk(found: ThinningCheck, load: Estimate) -> str:
    guide = number(found.guide_per_cm2, 0 if found.guide_per_cm2.is_integer() else 1)
    if found.target_per_cm2 is None or found.by_trunk:
        return say("planning.load_per_cm2", range=ranged(load, 1), guide=guide)
    return say(
        "planning.load_and_target_per_cm2",
        range=ranged(load, 1),
        target=number(found.target_per_cm2, 1),
        guide=guide,
    )


def _hours(hours: Estimate | None) -> str:
    if hours is None:
        return say("planning.hours_unknown")
    low, mid, high = (number(one) for one in (hours.p10, hours.p50, hours.p90))
    return say("planning.hours", low=low, mid=mid, high=high)


def _size(found: ThinningCheck, unit: Unit) -> list[str]:
    """What size gains, as far as it is known."""
    if found.size is None:
        return [say("planning.size_no_trunk")]
    return [_gain(found.size, unit)]


def _gain(size: SizeGain, unit: Unit) -> str:
    ratio = size.mass_ratio
    low, mid, high = (percent(one - 1) for one in (ratio.p10, ratio.p50, ratio.p90))
    if size.now_mm is None or size.then_mm is None:
        return say("planning.size_only", low=low, percent=mid, high=high)
    return say(
        "planning.size",
        low=low,
        percent=mid,
        high=high,
        then=ranged(size.then_mm, 1, unit),
        now=measure(size.now_mm, unit, 1),
    )

"""What a block needs next, what stands out in it, what its register is worth, where to walk."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import show
from fruitvision.advice import Advice
from fruitvision.domain import Attention, PlannedPlace, StratumEstimate, TreeKind, WalkPlan
from fruitvision.pipeline import BlockWalks
from fruitvision.report import range_words
from fruitvision.report.blocks import pollinizer_words, spacing_words
from fruitvision.size_shares import ClassShare
from fruitvision.unit_system import Units


def next_step(walk: BlockWalks) -> None:
    """How wide the range is, and what would narrow it."""
    st.subheader("What to do next")
    st.markdown(f"**{show.plain(walk.advice.words)}**")
    if walk.advice.steps and not walk.advice.enough:
        _steps(walk.advice)


def standing_out(found: Sequence[Attention]) -> None:
    """What stands out from its like."""
    if found:
        st.subheader("Go and look")
        st.write("These stand out from their like. It is a prompt, no diagnosis.")
        for one in found:
            st.markdown(f"- {show.plain(one.words)}")


def register(walk: BlockWalks, units: Units) -> None:
    """Parts of the block, what the walk found against the register, pollinizers."""
    area = spacing_words(walk.estimate.block, units)
    sentences = [
        *([f"{area}."] if area else []),
        *([walk.check.words] if walk.check.visited else []),
        *walk.register_notes,
        *(f"Pollinizers: {pollinizer_words(one)}." for one in walk.pollinizers),
    ]
    if walk.estimate.strata or sentences:
        st.subheader("Register")
        if walk.estimate.strata:
            _strata(walk.estimate.strata)
        for sentence in sentences:
            st.write(show.plain(sentence))


def _strata(parts: Sequence[StratumEstimate]) -> None:
    """One line a part of the block that bears alike."""
    show.table(
        [
            {
                "Part": part.name or "rest of the block",
                "Full trees": f"{part.bearing_trees:,.0f}",
                "Photographed": f"{part.sampled}",
                "Fruit per tree": range_words(part.fruit_per_tree),
            }
            for part in parts
        ]
    )


def _steps(advice: Advice) -> None:
    """What would narrow the range, the best for its work first."""
    show.table(
        [
            {
                "Step": step.words,
                "Range then": f"±{100 * step.half_range:.0f} %",
                "Minutes": f"{step.minutes:.0f}",
            }
            for step in advice.steps
        ]
    )


def stops(plan: WalkPlan) -> None:
    """The stops of a walk in the order of the way."""
    show.table(
        [
            {
                "Stop": f"{number}",
                "Row": f"{place.tree.row}",
                "Tree": f"{place.tree.position}",
                "On": f"{place.steps}",
                "Note": _stop_words(place),
            }
            for number, place in enumerate(plan.places, start=1)
        ]
    )


def _stop_words(place: PlannedPlace) -> str:
    words = [
        place.stratum,
        "count by hand" if place.count_by_hand else "",
        "as last time" if place.repeat else "",
        "a gap by the register" if place.kind is TreeKind.MISSING else "",
        "young tree" if place.kind is TreeKind.REPLANT else "",
    ]
    return ", ".join(word for word in words if word)


def class_shares(shares: Sequence[ClassShare]) -> None:
    """Share of the fruit in each class today, with its range."""
    with st.expander("Share of each size class today"):
        show.table(
            [
                {
                    "Class": one.name,
                    "Share": f"{100 * one.share.p50:.1f} %",
                    "8 times of 10": f"{100 * one.share.p10:.1f}–{100 * one.share.p90:.1f} %",
                }
                for one in shares
            ]
        )

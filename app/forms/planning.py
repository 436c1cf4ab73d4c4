"""What thinning and the choice of what to measure next go by: trunk guides, minutes, currency."""

from __future__ import annotations

import streamlit as st

from app import conflicts, session
from app.wording import say
from fruitvision.pipeline.farm_entries import set_planning, settings_of
from fruitvision.store import FarmStore

# Steps of a guide, fruit per cm², and of minutes. Our choice.
GUIDE_STEP, MINUTES_STEP = 0.5, 1.0


def planning_form(store: FarmStore) -> None:
    """One form for the settings of both."""
    form = "planning"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, store.farm())
    kept = settings_of(seen)
    with st.form(form, border=False):
        currency = st.text_input(
            say("planning.currency"),
            value=kept.currency,
            key=key,
            help=say("planning.currency_help"),
        )
        alternating = st.text_input(
            say("planning.alternating"),
            value=kept.biennial_varieties,
            help=say("planning.alternating_help"),
        )
        left, right = st.columns(2)
        biennial = left.number_input(
            say("planning.guide_biennial"),
            value=kept.fruit_per_cm2_biennial,
            step=GUIDE_STEP,
            format="%.1f",
        )
        annual = right.number_input(
            say("planning.guide_annual"),
            value=kept.fruit_per_cm2_annual,
            step=GUIDE_STEP,
            format="%.1f",
        )
        left, right = st.columns(2)
        photo = left.number_input(
            say("planning.photo_min"), value=kept.photo_tree_min, step=MINUTES_STEP, format="%.0f"
        )
        count = right.number_input(
            say("planning.count_min"), value=kept.hand_count_min, step=MINUTES_STEP, format="%.0f"
        )
        caliper = left.number_input(
            say("planning.caliper_min"),
            value=kept.caliper_tree_min,
            step=MINUTES_STEP,
            format="%.0f",
        )
        way = right.number_input(
            say("planning.way_min"), value=kept.way_to_block_min, step=MINUTES_STEP, format="%.0f"
        )
        if conflicts.save_button(say("planning.save"), form):
            with conflicts.asked(form):
                set_planning(
                    {
                        "fruit_per_cm2_biennial": float(biennial),
                        "fruit_per_cm2_annual": float(annual),
                        "photo_tree_min": float(photo),
                        "hand_count_min": float(count),
                        "caliper_tree_min": float(caliper),
                        "way_to_block_min": float(way),
                    },
                    seen,
                    store,
                    biennial_varieties=alternating,
                    currency=currency,
                    who=session.person(),
                )
                conflicts.forget(form)
                session.say_next(say("planning.saved"))
                st.rerun()

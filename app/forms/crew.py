"""How fast the farm picks, and how many pickers and bins it has."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from app import conflicts, session
from app.wording import say
from fruitvision.pipeline.entries import save_settings, settings_of
from fruitvision.store import FarmStore

# Least pace that can be typed, bins a picker and day, and its steps. Our choice.
LEAST_RATE, RATE_STEP = 0.1, 0.5


def crew_form(store: FarmStore) -> None:
    """One form for the three settings of the harvest."""
    form = "crew"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, store.farm())
    kept = settings_of(seen)
    with st.form(form, border=False):
        rate = st.number_input(
            say("sales.rate"),
            min_value=LEAST_RATE,
            value=max(LEAST_RATE, kept.bins_per_picker_day),
            step=RATE_STEP,
            key=key,
            help=say("sales.rate_help"),
        )
        crew = st.number_input(say("sales.crew"), min_value=0, value=kept.crew, step=1)
        bins = st.number_input(
            say("sales.bins_on_hand"), min_value=0, value=kept.bins_on_hand, step=1
        )
        if st.form_submit_button(say("sales.save_crew")):
            new = replace(
                kept, bins_per_picker_day=float(rate), crew=int(crew), bins_on_hand=int(bins)
            )
            with conflicts.asked(form):
                save_settings(new, seen, store, who=session.person())
                conflicts.forget(form)
                session.say_next(say("sales.crew_saved"))
                st.rerun()

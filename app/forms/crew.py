"""How fast the farm picks, and how many pickers and bins it has."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from app import conflicts, session
from app.wording import say
from fruitvision.pipeline.farm_entries import set_crew, settings_of
from fruitvision.store import FarmStore

# Steps of the pace, bins a picker and day. Our choice.
RATE_STEP = 0.5


def crew_form(store: FarmStore) -> None:
    """One form for the three settings of the harvest."""
    form = "crew"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, store.farm())
    kept = settings_of(seen)
    with st.form(form, border=False):
        rate = st.number_input(
            say("sales.rate"),
            value=float(kept.bins_per_picker_day),
            step=RATE_STEP,
            key=key,
            help=say("sales.rate_help"),
        )
        crew = st.number_input(say("sales.crew"), value=kept.crew, step=1)
        bins = st.number_input(say("sales.bins_on_hand"), value=kept.bins_on_hand, step=1)
        if conflicts.save_button(say("sales.save_crew"), form):
            with conflicts.asked(form):
                new = replace(
                    kept, bins_per_picker_day=float(rate), crew=int(crew), bins_on_hand=int(bins)
                )
                set_crew(new, seen, store, who=session.person())
                conflicts.forget(form)
                session.say_next(say("sales.crew_saved"))
                st.rerun()

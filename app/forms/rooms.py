"""Cold rooms: add one, correct one, take one off."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import conflicts, session, show
from app.wording import number, say
from fruitvision.domain import USUAL_DAILY_SHARE, ColdRoom
from fruitvision.pipeline.rooms import save_room, take_room_off
from fruitvision.store import FarmStore

# Step of the share of a day, percent. Our choice.
SHARE_STEP = 1.0
# A new room, until somebody types. Our choice.
NEW = ColdRoom(name="", bins=0)


def rooms_form(store: FarmStore, varieties: Sequence[str]) -> None:
    """One form for a new room or one that there is."""
    kept = {room.name: room for room in store.cold_rooms()}
    chosen = ""
    if kept:
        chosen = st.selectbox(
            say("harvest.room_which"),
            ["", *kept],
            format_func=lambda name: name or say("harvest.room_new"),
            key="room",
        )
    form = f"room {chosen}"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, kept.get(chosen, NEW))
    with st.form(form, border=False):
        name = chosen
        if not chosen:
            name = st.text_input(say("harvest.room_name"), key=key)
        bins = st.number_input(
            say("harvest.room_bins"), value=seen.bins, step=1, key=key if chosen else f"{key} bins"
        )
        share = st.number_input(
            say("harvest.room_share"),
            value=float(100 * seen.daily_share),
            step=SHARE_STEP,
            help=say("harvest.room_share_help", usual=number(100 * USUAL_DAILY_SHARE)),
            key=f"{key} share",
        )
        choices = list(dict.fromkeys(("", *varieties, seen.variety)))
        variety = st.selectbox(
            say("harvest.room_variety"),
            choices,
            index=choices.index(seen.variety),
            format_func=lambda one: one or say("harvest.room_any"),
            key=f"{key} variety",
        )
        if conflicts.save_button(say("harvest.room_save"), form):
            new = ColdRoom(
                name=name.strip(), bins=int(bins), daily_share=share / 100, variety=variety
            )
            with conflicts.asked(form):
                save_room(new, seen if chosen else None, store, who=session.person())
                conflicts.forget(form)
                session.say_next(say("harvest.room_saved", room=new.name))
                st.rerun()
    if chosen and st.button(say("harvest.room_off", room=show.plain(chosen))):
        with conflicts.asked(form):
            take_room_off(seen, store, who=session.person())
            conflicts.forget(form)
            session.say_next(say("harvest.room_gone", room=chosen))
            st.rerun()

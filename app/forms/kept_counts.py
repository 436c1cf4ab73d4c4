"""Hand counts that are kept: what each waits for, and the way to take one out."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import conflicts, session
from app.waiting import count_words
from app.wording import say
from fruitvision.domain import Block, HandCount
from fruitvision.pipeline.entries import take_out_hand_count
from fruitvision.store import FarmStore

_FORM = "take out count"


def take_out_form(store: FarmStore, blocks: Sequence[Block]) -> None:
    """Choose one of the kept counts of a block, and take it out; typed anew it is back."""
    conflicts.question(_FORM, store)
    name = st.selectbox(
        say("forms.block_of_counts"), [block.block_id for block in blocks], key=f"{_FORM} block"
    )
    counts = store.hand_counts(name) if name else ()
    if not counts:
        st.write(say("forms.no_counts_kept"))
        return
    chosen: HandCount | None = st.selectbox(
        say("forms.count_to_take_out"),
        counts,
        index=None,
        format_func=count_words,
        placeholder=say("forms.choose_count"),
        key=f"{_FORM} {name} {len(counts)}",
    )
    if chosen is None:
        return
    st.write(say("forms.take_out_count_words"))
    if st.button(say("forms.take_out_count")):
        with conflicts.asked(_FORM):
            take_out_hand_count(chosen, store, who=session.person())
            session.say_next(say("forms.count_taken_out", count=count_words(chosen)))
            st.rerun()

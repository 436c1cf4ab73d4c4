"""Take a block off the farm: what goes with it is named first."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import changes, session, show
from app.wording import say
from fruitvision.domain import Block
from fruitvision.pipeline.block_entries import take_block_off
from fruitvision.store import FarmStore


def take_off_form(store: FarmStore, blocks: Sequence[Block]) -> None:
    """A block to choose, what hangs on it, a tick, and the button."""
    name = st.selectbox(
        say("setup.take_off_which"),
        [block.block_id for block in blocks],
        index=None,
        placeholder=say("setup.take_off_choose"),
    )
    if name is None:
        return
    hanging = store.hanging_on(name)
    if hanging:
        lines = [show.plain(text) for text in changes.hanging_words(hanging)]
        st.write(say("setup.take_off_goes", block=show.plain(name)))
        st.markdown("\n".join(f"- {text}" for text in lines))
    else:
        st.write(say("setup.take_off_nothing", block=show.plain(name)))
    st.write(say("setup.take_off_stays"))
    # What was ticked is this: with something else hanging on the block it is another tick.
    sure = st.checkbox(
        say("setup.take_off_sure", block=show.plain(name)), key=f"off {name} {hanging}"
    )
    if st.button(say("setup.take_off_button"), disabled=not sure):
        with show.errors():
            take_block_off(name, hanging, store, who=session.person())
            session.say_next(say("setup.taken_off", block=name))
            st.rerun()

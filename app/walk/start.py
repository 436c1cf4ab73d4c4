"""Start a walk: as many trees as the adviser wants, or as the scout chooses."""

from __future__ import annotations

import streamlit as st

from app import session, show
from app.walk import look, way
from app.wording import say
from fruitvision.domain import Block
from fruitvision.pipeline import BlockWalks
from fruitvision.pipeline.walking import (
    WalkSize,
    known_row_lengths,
    photos_waiting,
    start_walk,
    walk_size,
)
from fruitvision.store import FarmStore
from fruitvision.units import parse_counts


def start_form(store: FarmStore, block: Block) -> None:
    """Two numbers and a button; a block without a register is asked for its rows once. Who may only
    look reads so in their place."""
    walks = session.walks_of(block.block_id)
    wanted = walk_size(block, walks)
    if block.pick_date is not None and block.pick_date < session.today():
        look.bad(say("walk.start_picked", day=block.pick_date), say("walk.start_left"))
    st.write(_why(store, block, wanted, walks))
    if not session.may_change():
        st.info(say("walk.look_only"), icon=":material/visibility:")
        return
    # Without limits of the boxes: these would speak in English, and not on a phone.
    trees = st.number_input(say("walk.trees"), value=wanted.trees, step=1)
    counts = st.number_input(say("walk.counts"), value=wanted.hand_counts, step=1)
    lengths = known_row_lengths(store, block.block_id)
    rows = ", ".join(map(str, lengths))
    if not store.register(block.block_id) and not lengths:
        rows = st.text_input(
            say("walk.rows"), placeholder=say("walk.rows_example"), help=say("walk.rows_help")
        )
    words = say("walk.start", block=show.plain(block.block_id))
    if st.button(words, type="primary", width="stretch"):
        with show.errors():
            start_walk(
                store,
                block.block_id,
                WalkSize(trees=int(trees), hand_counts=int(counts)),
                on=session.today(),
                who=session.person(),
                row_lengths=parse_counts(rows, field=say("walk.rows")),
            )
            way.leave_tree()
            st.rerun()


def _why(store: FarmStore, block: Block, wanted: WalkSize, walks: BlockWalks | None) -> str:
    """Why so many trees: what is known of the block so far."""
    waiting = photos_waiting(store, block.block_id, session.settings())
    if waiting:
        return say("walk.start_waiting", n=waiting)
    if walks is not None:
        words = "walk.start_again"
    elif store.tree_photos(block.block_id):
        words = "walk.start_unknown"
    else:
        words = "walk.start_first"
    return say(words, trees=wanted.trees, counts=wanted.hand_counts)

"""Start a walk: as many trees as the adviser wants, or as the scout chooses."""

from __future__ import annotations

import streamlit as st

from app import session, show
from app.walk import way
from app.wording import say
from fruitvision.domain import Block
from fruitvision.pipeline import BlockWalks
from fruitvision.pipeline.walking import WalkSize, known_row_lengths, start_walk, walk_size
from fruitvision.store import FarmStore
from fruitvision.units import parse_counts


def start_form(store: FarmStore, block: Block) -> None:
    """Two numbers and a button; a block without a register is asked for its rows once."""
    walks = walks_of(block)
    wanted = walk_size(block, walks)
    st.markdown(f"**{say('walk.start_head')}**")
    words = "walk.start_first" if walks is None else "walk.start_again"
    st.write(say(words, trees=wanted.trees, counts=wanted.hand_counts))
    trees = st.number_input(
        say("walk.trees"), min_value=1, max_value=block.bearing_trees, value=wanted.trees
    )
    counts = st.number_input(
        say("walk.counts"), min_value=0, max_value=int(trees), value=min(5, int(trees))
    )
    lengths = known_row_lengths(store, block.block_id)
    rows = ", ".join(map(str, lengths))
    if not store.register(block.block_id) and not lengths:
        rows = st.text_input(
            say("walk.rows"), placeholder=say("walk.rows_example"), help=say("walk.rows_help")
        )
    if st.button(say("walk.start"), type="primary", width="stretch"):
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


def walks_of(block: Block) -> BlockWalks | None:
    """What the block's walks gave so far; None if nothing can be told of them."""
    found, _ = session.walks()
    return next((one for one in found if one.estimate.block.block_id == block.block_id), None)

"""The scout's page, for a phone in one hand: the next tree, its photos, its counts."""

import streamlit as st

from app import session
from app.walk import finish, look, way
from app.walk.photos import stops_to_redo
from app.walk.start import start_form
from app.walk.tree import tree_view
from app.walk.warm import warm_up
from app.wording import say
from fruitvision.domain import Block, KeptWalk
from fruitvision.pipeline.walking import (
    blocks_under_way,
    current_walk,
    measure_taken,
    still_to_measure,
    stops_of_walk,
)
from fruitvision.store import FarmStore


def walk_on(store: FarmStore, block: Block, walk: KeptWalk) -> None:
    """The stop that is next or was asked for, then what is saved; all done: is it enough?"""
    stops = stops_of_walk(store, walk)
    pending = still_to_measure(store, walk, session.settings())
    here = way.stop_here(stops)
    if here is None:
        finish.all_done(store, walk, stops, block)
    else:
        # Pinned, so that a tree stays in view when it is done, and after a reload.
        way.go_to(here.tree)
        tree_view(store, walk, stops, here, block)
        if st.toggle(say("walk.ask")):
            finish.advice(store, walk, stops, block)
    way.all_stops(stops, stops_to_redo(store, block, stops))
    look.saved_line(finish.saved_words(stops, pending))
    if not session.may_change():
        return
    # Last, so that nobody waits for it: what a reload or a lost connection left unmeasured.
    for photo in pending:
        measure_taken(store, {photo.photo_id: f"{photo.tree}, {photo.face}"}, session.settings())
    if pending:
        st.rerun()


store = session.farm()
blocks = store.blocks()
look.look()
warm_up()
with st.container(key=look.WALK):
    if not blocks:
        look.title()
        st.write(say("walk.no_blocks"))
        session.page_link("screens/setup.py", label=say("walk.add_block"))
        st.stop()
    today = session.today()
    block = way.block_here(blocks, blocks_under_way(store, today))
    walk = current_walk(store, block.block_id, today)
    if walk is None:
        # Which block comes first, so that nobody walks a wrong one.
        look.title()
        with st.container(key=look.WHICH_BLOCK):
            way.choose_block(blocks, block)
        start_form(store, block)
    else:
        # The tree comes first; which block it is in is chosen below it.
        above, below = st.container(), st.container()
        with below:
            way.choose_block(blocks, block)
        with above:
            walk_on(store, block, walk)
    with st.expander(say("walk.help_head"), key="walk help"):
        finish.help_to_open()

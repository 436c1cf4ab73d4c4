"""All blocks of the farm, what needs somebody on top; one of them when it is chosen."""

import streamlit as st

from app import session, show
from app.blocks import data, now, planning
from app.blocks.one import one_block
from app.blocks.overview import overview
from app.forms.first_start import first_start
from app.wording import say

store = session.farm()
if not store.blocks():
    st.title(say("common.page_blocks"))
    show.note(*session.said())
    first_start(store)
    session.page_link("screens/setup.py", label=say("walk.add_block"))
    session.page_link("screens/papers.py")
    st.stop()
stands = data.standings()
name = data.chosen()
if name in {one.block.block_id for one in stands}:
    show.note(*session.said())
    session.remember_block(name)
    one_block(name, stands, store)
else:
    st.title(say("common.page_blocks"))
    show.note(*session.said())
    overview(stands)
    planning.of_farm(stands)
    if any(one.walks for one in stands):
        now.standing_out(data.attention())

"""Trees and their photos, put right where they are wrong; below, what comes in."""

import streamlit as st

from app import session, show
from app.forms.intake import intake
from app.review.choose import start_with_block
from app.review.look import look_at_trees
from app.wording import say

store = session.farm()
blocks = store.blocks()
st.title(say("review.title"))
show.note(*session.said())
if not blocks:
    st.write(say("review.no_block"))
    session.page_link(
        "screens/setup.py", label=say("review.add_block"), icon=":material/arrow_back:"
    )
    st.stop()
# What is seen stands above what comes in, and waits for it: no millimetres beside blind calipers.
seen, coming_in = st.container(), st.container()
start_with_block(store, blocks)
with coming_in:
    st.subheader(say("review.bring_in"))
    blind = intake(store, blocks)
with seen:
    if blind:
        st.write(say("review.blind"))
        st.stop()
    last = session.last_measured()
    if last is not None:
        st.subheader(say("review.just_measured"))
        show.measured_photos(last, session.units().diameter)
    look_at_trees(
        store, blocks, frozenset(one.photo.photo_id for one in last.photos) if last else frozenset()
    )
    session.page_link(
        "screens/blocks.py", label=say("review.see_block"), icon=":material/arrow_forward:"
    )

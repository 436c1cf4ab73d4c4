"""Tables of any form, from the field, the office and the packing house."""

import streamlit as st

from app import session, show
from app.papers.flow import table_flow
from app.papers.said import said_before
from app.wording import say

store = session.farm()
st.title(say("papers.title"))
show.note(*session.said())
st.write(say("papers.intro"))
table_flow(store)
with st.expander(say("papers.said_head")):
    said_before(store)

"""Tables of any form, from the field, the office and the packing house."""

import streamlit as st

from app import session, show
from app.papers.flow import table_flow
from app.papers.said import said_before
from app.papers.words import kind_words
from app.wording import say
from fruitvision.papers.kinds import KINDS

store = session.farm()
st.title(say("papers.title"))
show.note(*session.said())
st.write(say("papers.intro"))
yours = [kind for kind in KINDS if session.brings(kind)]
if len(yours) < len(KINDS):
    st.info(say("papers.yours", kinds=", ".join(map(kind_words, yours))))
table_flow(store)
with st.expander(say("papers.said_head")):
    said_before(store)

"""The scout's page, for a phone in one hand: the next tree, its photos, its counts."""

import streamlit as st

from app.wording import say

st.title(say("common.page_walk"))

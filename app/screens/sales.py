"""What sales may promise by class and week, and what the harvest needs by day."""

import streamlit as st

from app.wording import say

st.title(say("common.page_sales"))

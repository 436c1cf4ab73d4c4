"""Title and list of pages; nothing else."""

import streamlit as st

from app import session, show
from fruitvision.errors import FruitVisionError

st.set_page_config(page_title="fruitvision", page_icon=show.icon(), layout="centered")
show.look()
pages = st.navigation(
    [
        st.Page("pages/farm.py", title="Farm", icon=":material/home:", default=True),
        st.Page("pages/photos.py", title="Photos", icon=":material/photo_camera:"),
        st.Page("pages/block.py", title="Block", icon=":material/forest:"),
        st.Page("pages/forecast.py", title="Forecast", icon=":material/bar_chart:"),
        st.Page("pages/help.py", title="Help", icon=":material/help:"),
    ],
    position="top",
)
try:
    session.farm()
except FruitVisionError as err:
    show.error(err)
    st.stop()
pages.run()

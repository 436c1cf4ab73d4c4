"""Title and list of pages; nothing else."""

import streamlit as st

from app import session, show
from fruitvision.errors import FruitVisionError

st.set_page_config(page_title="fruitvision", page_icon=show.icon(), layout="centered")
show.look()
pages = [
    st.Page("screens/farm.py", title="Farm", default=True),
    st.Page("screens/photos.py", title="Photos"),
    st.Page("screens/block.py", title="Block"),
    st.Page("screens/forecast.py", title="Forecast"),
    st.Page("screens/help.py", title="Help"),
]
page = st.navigation(pages, position="hidden")
with st.container(horizontal=True, gap="small", key="pages"):
    for item in pages:
        st.page_link(item)
try:
    session.farm()
    session.choose_units()
    page.run()
except FruitVisionError as err:
    show.error(err)
    st.stop()

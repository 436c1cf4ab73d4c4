"""Title and list of pages; nothing else."""

from contextlib import suppress

import streamlit as st

from app import remembered, session, show, work
from app.bar import top_bar
from app.built_in import built_in_words
from app.gate.pages import pages_of
from app.gate.watch import watch_session
from app.left_out import left_out_part
from app.wording import say, set_usual_language
from fruitvision.errors import FruitVisionError

st.set_page_config(page_title="fruitvision", page_icon=show.icon(), layout="centered")
show.look()
session.recall()
with suppress(FruitVisionError):  # A farm that can't be opened is said below.
    set_usual_language(session.settings().language)
pages = [
    st.Page(f"screens/{name}.py", title=say(f"common.page_{name}"), default=number == 0)
    for number, name in enumerate(pages_of(session.role()))
]
built_in_words()
if session.role() is not None:
    watch_session()
page = st.navigation(pages, position="hidden")
top = st.container()
try:
    session.farm()
    with top:
        top_bar(pages, page)
        remembered.keep_cookies()
    # A place of its own, so that tabs below stay open when the work begins or ends.
    with st.container():
        name = page.url_path or pages_of(session.role())[0]
        # In front of a tree nothing but the tree matters.
        work.bar(session.farm(), brief=name == "walk")
        if name in ("photos", "walk"):
            left_out_part(session.farm())
    page.run()
except FruitVisionError as err:
    show.error(err)
    st.stop()

"""The way to the page of tables from where one may look for it."""

from __future__ import annotations

import streamlit as st

from app import session
from app.papers.words import kind_words
from app.wording import say
from fruitvision.papers.kinds import KINDS


def tables_link(about: str) -> None:
    """Which tables are brought there, and a link. `about` : register, hand_work or office.

    Whoever may bring none of the office's sees which ones instead.
    """
    if about == "office" and not session.brings("picks"):
        st.write(
            say("papers.yours", kinds=", ".join(map(kind_words, filter(session.brings, KINDS))))
        )
        return
    st.write(say(f"papers.go_{about}"))
    session.page_link("screens/papers.py", label=say("papers.go"), icon=":material/arrow_forward:")

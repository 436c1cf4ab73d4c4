"""The way to the page of tables from where one may look for it."""

from __future__ import annotations

import streamlit as st

from app import session
from app.wording import say


def tables_link(about: str) -> None:
    """Which tables are brought there, and a link. `about` : register, hand_work or office."""
    st.write(say(f"papers.go_{about}"))
    session.page_link("screens/papers.py", label=say("papers.go"), icon=":material/arrow_forward:")

"""The detector made ready while the scout walks to the first tree."""

from __future__ import annotations

from threading import Thread

import streamlit as st

from fruitvision.pipeline.walking import get_ready


@st.cache_resource(show_spinner=False)
def warm_up() -> None:
    """Once a server: load the network in the background. The first photo waits for less then."""
    Thread(target=get_ready, daemon=True, name="detector made ready").start()

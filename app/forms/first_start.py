"""What an empty farm offers: one click for the invented farm Larkhill."""

from __future__ import annotations

import streamlit as st

from app import session, show, work
from app.wording import say
from fruitvision.pipeline.farm_entries import rename_farm
from fruitvision.share import shared_folder
from fruitvision.store import FarmStore


def first_start(store: FarmStore) -> None:
    """Where to begin, and a button that loads the samples into this empty farm."""
    st.write(say("setup.begin"))
    if work.is_loading(store):
        return
    if st.button(say("setup.load_larkhill"), type="primary"):
        _load_larkhill(store)
    st.caption(say("setup.larkhill_takes"))


def _load_larkhill(store: FarmStore) -> None:
    with show.errors():
        rename_farm(say("setup.larkhill"), store.farm(), store, who=session.person())
        work.load(shared_folder("samples"), store)

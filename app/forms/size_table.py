"""A size table of the farm's own, by upload."""

from __future__ import annotations

import streamlit as st

from app import files, session, show
from app.wording import say
from fruitvision.pipeline.size_tables import ENDINGS, add_size_table
from fruitvision.store import FarmStore


def size_table_upload(store: FarmStore) -> None:
    """One box for a table as CSV or XLSX; it is chosen once it is in.

    Not for who may only look.
    """
    if not session.may_change():
        return
    upload = st.file_uploader(
        say("forecast.own_table_upload"),
        type=[ending.lstrip(".") for ending in ENDINGS],
        key=f"size table {session.upload_round()}",
    )
    if upload and st.button(say("forecast.keep_table")):
        with show.errors(), files.saved([upload]) as saved:
            table = add_size_table(saved[0], store, who=session.person())
            session.use_size_table(table.name)
            session.say_next(say("forecast.table_in", name=table.name, n=len(table.classes)))
            st.rerun()

"""Tables of the office: register, gaps found, pick plans, weighed fruit, culls and grades."""

from __future__ import annotations

import streamlit as st

from app import files, session, show
from app.wording import say, sentence
from fruitvision.pipeline.office import TABLES, load_tables
from fruitvision.store import FarmStore

TABLE_TYPES = ["csv", "xlsx"]


def office_uploads(store: FarmStore) -> None:
    """One box a table, CSV or XLSX."""
    st.write(say("forms.office_words"))
    for name, columns in TABLES.items():
        upload = st.file_uploader(
            say("forms.table_box", file=name, columns=sentence(columns)),
            type=TABLE_TYPES,
            key=f"{name} {session.upload_round()}",
        )
        if upload and st.button(say("forms.load_file", file=name)):
            with show.errors(), files.saved([upload]) as saved:
                rows, refused = load_tables(
                    {name: saved[0].path}, store, store.blocks(), who=session.person()
                )
                what = sentence(rows.words) if rows.words else say("forms.nothing")
                session.say_next(say("forms.office_in", file=upload.name, what=what), refused)
                st.rerun()

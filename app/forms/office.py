"""Tables of the office: register, gaps found, pick plans, weighed fruit, culls and grades."""

from __future__ import annotations

import streamlit as st

from app import files, session, show
from fruitvision.pipeline.office import TABLES, load_tables
from fruitvision.store import FarmStore

TABLE_TYPES = ["csv", "xlsx"]


def office_uploads(store: FarmStore) -> None:
    """One box a table, CSV or XLSX."""
    st.write("Columns in brackets may be left out. A register lists every place of a block.")
    for name, columns in TABLES.items():
        upload = st.file_uploader(
            f"{name}: {columns}", type=TABLE_TYPES, key=f"{name} {session.upload_round()}"
        )
        if upload and st.button(f"Load {name}"):
            with show.errors(), files.saved([upload]) as saved:
                rows, refused = load_tables({name: saved[0].path}, store, store.blocks())
                session.say_next(f"{upload.name}: {rows.words or 'nothing'} in.", refused)
                st.rerun()

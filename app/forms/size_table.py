"""A size table of the farm's own, by upload."""

from __future__ import annotations

import streamlit as st

from app import files, session, show
from fruitvision.pipeline.size_tables import ENDINGS, add_size_table

COLUMNS = "class, from_g, to_g (or _mm, _oz, _in), carton_kg or carton_lb (fruit_per_carton)"


def size_table_upload() -> None:
    """One box for a table as CSV or XLSX; it is chosen once it is in."""
    upload = st.file_uploader(
        f"Your own size table: {COLUMNS}",
        type=[ending.lstrip(".") for ending in ENDINGS],
        key=f"size table {session.upload_round()}",
    )
    if upload and st.button("Keep this size table"):
        with show.errors(), files.saved([upload]) as saved:
            table = add_size_table(saved[0], session.farm_folder())
            session.use_size_table(table.name)
            session.say_next(f"{table.name}: {len(table.classes)} classes are in.")
            st.rerun()

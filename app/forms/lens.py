"""Calibrate a phone's lens from photos of the printed board."""

from __future__ import annotations

from datetime import UTC, datetime

import streamlit as st

from app import files, session, show
from fruitvision.lens.sheet import PAPERS, draw_board_sheet
from fruitvision.pipeline.lens import calibrate_lens
from fruitvision.report import lens_lines
from fruitvision.store import FarmStore


def lens_form(store: FarmStore) -> None:
    """The board to print, its photos in, and what is calibrated so far."""
    for lens in store.lenses():
        st.write("  \n".join(show.plain(line.strip()) for line in lens_lines(lens)))
    st.write(
        "Optional: sizes near the edge of a photo get a little truer. Print the board at 100 %, "
        "glue it flat, and photograph it 12 times from about half a metre with the phone that you "
        "walk with, zoom at 1: in the middle and in each corner, tilted to each side in turn."
    )
    paper = st.selectbox("Paper of the board", list(PAPERS))
    st.download_button(
        "Board to print",
        files.bytes_of(lambda path: draw_board_sheet(path, paper=paper), "board.pdf"),
        file_name="board.pdf",
        mime="application/pdf",
    )
    photos = st.file_uploader(
        "Photos of the board",
        type=files.PHOTO_TYPES,
        accept_multiple_files=True,
        key=f"board {session.upload_round()}",
    )
    square_mm = st.number_input(
        "Side of a square, mm, as measured", min_value=0.0, value=PAPERS[paper][1], step=0.1
    )
    if st.button("Calibrate this phone", disabled=not photos):
        with show.errors(), files.saved(photos) as saved:
            calibrated = calibrate_lens(
                [file.path for file in saved],
                store,
                square_mm=float(square_mm),
                made_on=datetime.now(UTC).astimezone().date(),
                on_progress=show.progress(),
            )
            session.say_next(f"{calibrated.lens.name} is calibrated.", calibrated.refused)
            st.rerun()

"""Calibrate a phone's lens from photos of the printed board."""

from __future__ import annotations

import streamlit as st

from app import files, session, show
from app.wording import number, say, sentence
from fruitvision.domain import LensCalibration
from fruitvision.lens.sheet import PAPERS, draw_board_sheet
from fruitvision.pipeline.lens import calibrate_lens
from fruitvision.store import FarmStore


def _known(lens: LensCalibration) -> None:
    """What is known of a calibrated lens, and what weakens it."""
    camera = lens.camera
    st.markdown(
        say(
            "forms.lens_known",
            name=show.plain(sentence(lens.name)),
            day=lens.made_on,
            photos=lens.photos,
            corners=lens.corners,
            fit=number(lens.reprojection_px, 2),
        )
    )
    st.caption(
        say(
            "forms.lens_numbers",
            focal=number(camera.focal_px, 1),
            error=number(lens.focal_error_px, 1),
            distance=number(lens.distance_mm / 1000, 2),
            square=number(lens.square_mm, 1),
        )
    )
    show.doubts((), lens.remarks)


def lens_form(store: FarmStore) -> None:
    """The board to print, its photos in, and what is calibrated so far."""
    for lens in store.lenses():
        _known(lens)
    st.write(say("forms.lens_words"))
    paper = st.selectbox(say("forms.paper_of_board"), list(PAPERS))
    st.download_button(
        say("forms.board_to_print"),
        files.bytes_of(lambda path: draw_board_sheet(path, paper=paper), "board.pdf"),
        file_name="board.pdf",
        mime="application/pdf",
    )
    photos = st.file_uploader(
        say("forms.photos_of_board"),
        type=files.PHOTO_TYPES,
        accept_multiple_files=True,
        key=f"board {session.upload_round()}",
    )
    square_mm = st.number_input(say("forms.side_of_square"), value=PAPERS[paper][1], step=0.1)
    if st.button(say("forms.calibrate"), disabled=not photos):
        with show.errors(), files.saved(photos) as saved:
            calibrated = calibrate_lens(
                [file.path for file in saved],
                store,
                square_mm=float(square_mm),
                made_on=session.today(),
                who=session.person(),
                on_progress=show.progress(),
            )
            session.say_next(say("forms.calibrated", lens=calibrated.lens.name), calibrated.refused)
            st.rerun()

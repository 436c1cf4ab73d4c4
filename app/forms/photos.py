"""Upload photos: of one tree, or of a whole walk with its list."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

import streamlit as st

from app import files, session, show
from fruitvision.domain import Block, TreeId
from fruitvision.pipeline import Measured, Progress
from fruitvision.pipeline.additions import add_photos, add_walk_files
from fruitvision.store import FarmStore
from fruitvision.walk_data import FACES, MOST_TREES, WalkPhoto

PLACES_HINT = (
    "A second photo of a face, 30 to 50 cm to the side and with the marker in it, gives the fruit "
    "that both show their own distance: their millimetres are then far surer."
)
PROTOCOL_HINT = "Take the same faces of every tree: A from one alley, B from the other."


def tree_form(store: FarmStore, blocks: Sequence[Block]) -> None:
    """Photos of one tree, one box a face; several of a face from places a step apart."""
    st.caption(PROTOCOL_HINT)
    st.caption(PLACES_HINT)
    block = session.choose_block(blocks)
    left, right = st.columns(2)
    row = left.number_input("Row", min_value=1, value=1, step=1)
    position = right.number_input("Tree in the row", min_value=1, value=1, step=1)
    trees = left.number_input(
        "Trees in each photo, from this one on", min_value=1, max_value=MOST_TREES, value=1, step=1
    )
    vigour = right.number_input("Vigour or trunk, if you note it", min_value=0.0, value=None)
    walked_on = _walk_day("tree")
    uploads = [
        st.file_uploader(
            f"Photo of face {face}, or several from places a step apart",
            type=files.PHOTO_TYPES,
            accept_multiple_files=True,
            key=f"face {face} {session.upload_round()}",
        )
        for face in FACES
    ]
    if st.button("Measure this tree", type="primary", disabled=not any(uploads)):
        tree = TreeId(block.block_id, int(row), int(position))
        chosen = [
            (face, upload)
            for face, of_face in zip(FACES, uploads, strict=True)
            for upload in of_face
        ]
        with show.errors(), files.saved([upload for _, upload in chosen]) as saved:
            rows: dict[Path, WalkPhoto] = {
                file.path: WalkPhoto(
                    file_name=file.name,
                    tree=tree,
                    face=face,
                    trees=int(trees),
                    vigour=vigour or None,
                )
                for (face, _), file in zip(chosen, saved, strict=True)
            }
            _measure(
                lambda progress: add_photos(
                    rows,
                    store,
                    settings=session.settings(),
                    walked_on=walked_on,
                    on_progress=progress,
                )
            )


def walk_form(store: FarmStore) -> None:
    """Many photos and the list that says which tree each one shows."""
    st.write(
        "The list has the columns photo, block, row, position, face (A or B); for photos of "
        "several trees also trees, and vigour if you note it."
    )
    walk_list = st.file_uploader("walk.csv", type="csv", key=f"walk list {session.upload_round()}")
    photos = st.file_uploader(
        "Photos of the walk",
        type=files.PHOTO_TYPES,
        accept_multiple_files=True,
        key=f"walk {session.upload_round()}",
    )
    walked_on = _walk_day("walk")
    if st.button("Measure this walk", type="primary", disabled=not (walk_list and photos)):
        with show.errors(), files.saved([walk_list, *photos]) as saved:
            _measure(
                lambda progress: add_walk_files(
                    saved[0].path,
                    saved[1:],
                    store,
                    settings=session.settings(),
                    walked_on=walked_on,
                    on_progress=progress,
                )
            )


def _walk_day(key: str) -> date | None:
    chosen: date | None = st.date_input(
        "Day of the walk, for photos that carry no date",
        value=None,
        format="YYYY-MM-DD",
        key=f"day of {key}",
    )
    return chosen


def _measure(run: Callable[[Progress], Measured]) -> None:
    """Run a measurement under a progress bar, remember what it gave, and start the page anew."""
    measured = run(show.progress())
    session.remember_measured(measured)
    st.rerun()

"""Upload photos: of one tree, or of a whole walk with its list."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import streamlit as st

from app import files, session, show, work
from app.wording import say
from fruitvision.domain import Block, TreeId
from fruitvision.pipeline.additions import walk_rows
from fruitvision.store import FarmStore
from fruitvision.walk_data import FACES, WalkPhoto, check_walk_photo


def tree_form(store: FarmStore, blocks: Sequence[Block]) -> None:
    """Photos of one tree, one box a face; several of a face from places a step apart."""
    st.caption(say("forms.protocol_hint"))
    st.caption(say("forms.places_hint"))
    block = session.choose_block(blocks)
    left, right = st.columns(2)
    row = left.number_input(say("forms.row"), value=1, step=1)
    position = right.number_input(say("forms.tree_in_row"), value=1, step=1)
    trees = left.number_input(say("forms.trees_in_photo"), value=1, step=1)
    vigour = right.number_input(say("forms.vigour"), value=None, step=0.1)
    walked_on = _walk_day("tree")
    uploads = [
        st.file_uploader(
            say("forms.photo_of_face", face=face),
            type=files.PHOTO_TYPES,
            accept_multiple_files=True,
            key=f"face {face} {session.upload_round()}",
        )
        for face in FACES
    ]
    if st.button(say("forms.measure_tree"), type="primary", disabled=not any(uploads)):
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
                    vigour=vigour,
                )
                for (face, _), file in zip(chosen, saved, strict=True)
            }
            for photo in rows.values():
                check_walk_photo(photo)
            work.measure(rows, store, walked_on=walked_on)


def walk_form(store: FarmStore) -> None:
    """Many photos and the list that says which tree each one shows."""
    st.write(say("forms.walk_columns"))
    walk_list = st.file_uploader(
        say("forms.walk_list"), type="csv", key=f"walk list {session.upload_round()}"
    )
    photos = st.file_uploader(
        say("forms.photos_of_walk"),
        type=files.PHOTO_TYPES,
        accept_multiple_files=True,
        key=f"walk {session.upload_round()}",
    )
    walked_on = _walk_day("walk")
    if st.button(say("forms.measure_walk"), type="primary", disabled=not (walk_list and photos)):
        with show.errors(), files.saved([walk_list, *photos]) as saved:
            rows, refused = walk_rows(saved[0].path, saved[1:], store)
            work.measure(rows, store, walked_on=walked_on, refused=refused)


def _walk_day(key: str) -> date | None:
    chosen: date | None = st.date_input(
        say("forms.day_of_walk"),
        value=None,
        format="YYYY-MM-DD",
        key=f"day of {key}",
    )
    return chosen

"""Fruit calipered in a photo: the caliper is typed before the photo's millimetres are shown."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import files, session, show
from app.wording import measure, say
from fruitvision.domain import Block, CaliperedFruit, Fruit
from fruitvision.field_data import read_diameter_mm
from fruitvision.pipeline.calipers import add_caliper_pairs, add_calipered_fruit
from fruitvision.pipeline.lines import PlacedPhoto, placed_photos
from fruitvision.store import FarmStore
from fruitvision.unit_system import Unit

PAIRS = "caliper_pairs.csv"
# Keys of the session state: grows with every reading that is kept, so that the form is empty again;
# and what is said of the last one.
_READINGS = "blind readings"
_KEPT = "blind reading kept"


def caliper_form(store: FarmStore, blocks: Sequence[Block]) -> bool:
    """A switch, and under it the form; True while it is on, when no millimetres may be shown."""
    st.caption(say("forms.caliper_words"))
    _table_upload(store)
    on = st.toggle(say("forms.caliper_blind"))
    if on:
        with show.errors():
            _one_fruit(store, blocks)
    return on


def _table_upload(store: FarmStore) -> None:
    upload = st.file_uploader(
        say("forms.table_box", file=PAIRS, columns=say("forms.pairs_columns")),
        type="csv",
        key=f"caliper pairs {session.upload_round()}",
    )
    if upload and st.button(say("forms.load_file", file=PAIRS)):
        with show.errors(), files.saved([upload]) as saved:
            added = add_caliper_pairs(saved[0].path, store, session.settings())
            session.say_rows(PAIRS, added.rows, added.refused)
            st.rerun()


def _one_fruit(store: FarmStore, blocks: Sequence[Block]) -> None:
    name = st.selectbox(say("forms.block_of_photo"), [block.block_id for block in blocks])
    placed = [
        photo
        for photo in placed_photos(str(name), store, session.settings())
        if photo.measured is not None and _sized(photo)
    ]
    if not placed:
        st.write(say("forms.no_photo_in_mm"))
        return
    photo = st.selectbox(say("common.photo"), placed, format_func=photo_words)
    measured = photo.measured
    if measured is None:
        return
    st.image(session.numbered(measured), width="stretch", alt=photo_words(photo))
    unit = session.units().diameter
    # What is refused stays as it was typed, of the fruit that was chosen.
    key = f"{measured.photo.photo_id} {unit.symbol} {st.session_state.get(_READINGS, 0)}"
    with st.form("calipered fruit", border=False):
        left, right = st.columns(2)
        fruit = left.selectbox(
            say("forms.fruit_number"),
            _sized(photo),
            format_func=lambda one: one.fruit_id,
            key=f"calipered fruit {key}",
        )
        typed = right.text_input(
            say("forms.caliper_in", unit=unit.symbol), key=f"blind caliper {key}"
        )
        if st.form_submit_button(say("forms.save_caliper")):
            _save(fruit, typed, store, unit)
    with st.container():
        kept = st.session_state.pop(_KEPT, "")
        if kept:
            st.success(kept)


def _save(fruit: Fruit, typed: str, store: FarmStore, unit: Unit) -> None:
    in_mm, in_inches = (typed, "") if unit.size == 1.0 else ("", typed)
    diameter_mm = read_diameter_mm(in_mm, in_inches)
    add_calipered_fruit(
        CaliperedFruit(
            photo_id=fruit.photo_id,
            x_px=fruit.centre_x_px,
            y_px=fruit.centre_y_px,
            diameter_mm=diameter_mm,
        ),
        store,
    )
    st.session_state[_READINGS] = st.session_state.get(_READINGS, 0) + 1
    st.session_state[_KEPT] = say(
        "forms.calipered",
        fruit=str(fruit.fruit_id),
        caliper=measure(diameter_mm, unit, 1),
        photo=measure(fruit.diameter_mm, unit, 1),
    )
    st.rerun()


def _sized(photo: PlacedPhoto) -> list[Fruit]:
    if photo.measured is None:
        return []
    return [
        fruit
        for fruit in photo.measured.fruit
        if fruit.on_this_row and fruit.diameter_mm is not None
    ]


def photo_words(photo: PlacedPhoto) -> str:
    """`Row 3, tree 7, face A: IMG_0123.jpg`, to choose a photo by."""
    tree, measured = photo.placed.tree, photo.measured
    return say(
        "forms.photo_of_tree",
        row=str(tree.row),
        tree=str(tree.position),
        face=photo.placed.face,
        photo=measured.photo.name if measured else say("forms.not_measured"),
    )

"""Fruit calipered in a photo: the caliper is typed before the photo's millimetres are shown."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import files, session, show
from fruitvision.domain import Block, CaliperedFruit, Fruit
from fruitvision.field_data import read_diameter_mm
from fruitvision.pipeline.calipers import add_caliper_pairs, add_calipered_fruit
from fruitvision.pipeline.lines import PlacedPhoto, placed_photos
from fruitvision.store import FarmStore
from fruitvision.unit_system import Unit


def caliper_form(store: FarmStore, blocks: Sequence[Block]) -> bool:
    """A switch, and under it the form; True while it is on, when no millimetres may be shown."""
    st.caption(
        "Tag and caliper some fruit that a photo shows, across the cheeks. Five photos with five "
        "fruit each tell whether the photos read large or small, and how much they scatter."
    )
    _table_upload(store)
    on = st.toggle("Type caliper readings, blind (hides the photos' millimetres)")
    if on:
        with show.errors():
            _one_fruit(store, blocks)
    return on


def _table_upload(store: FarmStore) -> None:
    upload = st.file_uploader(
        "caliper_pairs.csv: photo, x_px, y_px (or fruit_id), diameter_mm",
        type="csv",
        key=f"caliper pairs {session.upload_round()}",
    )
    if upload and st.button("Load caliper_pairs.csv"):
        with show.errors(), files.saved([upload]) as saved:
            added = add_caliper_pairs(saved[0].path, store, session.settings())
            session.say_next(
                f"caliper_pairs.csv: {show.counted(added.rows, 'row')} in.", added.refused
            )
            st.rerun()


def _one_fruit(store: FarmStore, blocks: Sequence[Block]) -> None:
    name = st.selectbox("Block of the photo", [block.block_id for block in blocks])
    placed = [
        photo
        for photo in placed_photos(str(name), store, session.settings())
        if photo.measured is not None and _sized(photo)
    ]
    if not placed:
        st.write("No photo of this block has fruit in mm: hang the marker in view.")
        return
    photo = st.selectbox("Photo", placed, format_func=_photo_words)
    measured = photo.measured
    if measured is None:
        return
    st.image(session.numbered(measured), width="stretch")
    unit = session.units().diameter
    with st.form("calipered fruit", border=False, clear_on_submit=True):
        left, right = st.columns(2)
        fruit = left.selectbox(
            "Number of the fruit", _sized(photo), format_func=lambda one: one.fruit_id
        )
        typed = right.text_input(f"Caliper, {unit.symbol}")
        if st.form_submit_button("Save caliper reading"):
            _save(fruit, typed, store, unit)


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
    shown = [
        f"{unit.shown(mm):.{unit.decimals(1)}f} {unit.symbol}"
        for mm in (diameter_mm, fruit.diameter_mm or 0.0)
    ]
    st.success(f"Fruit {fruit.fruit_id}: caliper {shown[0]}, photo {shown[1]}.")


def _sized(photo: PlacedPhoto) -> list[Fruit]:
    if photo.measured is None:
        return []
    return [
        fruit
        for fruit in photo.measured.fruit
        if fruit.on_this_row and fruit.diameter_mm is not None
    ]


def _photo_words(photo: PlacedPhoto) -> str:
    tree = photo.placed.tree
    name = photo.measured.photo.name if photo.measured else ""
    return f"Row {tree.row}, tree {tree.position}, face {photo.placed.face}: {name}"

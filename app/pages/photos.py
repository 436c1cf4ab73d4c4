"""Photos in, fruit counted and sized out; hand counts and caliper readings beside them."""

from collections.abc import Sequence
from functools import partial

import streamlit as st

from app import session, show
from app.forms.hand_work import hand_count_form, hand_uploads, measure_again, ruler_form
from app.forms.photos import tree_form, walk_form
from fruitvision.pipeline.lines import PlacedPhoto, placed_photos
from fruitvision.store import FarmStore


def look_at_photos(store: FarmStore) -> None:
    blocks = [block for block in store.blocks() if store.tree_photos(block.block_id)]
    if not blocks:
        st.write("No photos yet.")
        return
    left, right = st.columns(2)
    with left:
        name = st.selectbox("Show block", [block.block_id for block in blocks])
    photos = placed_photos(str(name), store, session.settings())
    trees = sorted({photo.placed.tree for photo in photos})
    with right:
        tree = st.selectbox(
            "Show tree", trees, format_func=lambda tree: f"Row {tree.row}, tree {tree.position}"
        )
    show_tree([photo for photo in photos if photo.placed.tree == tree], store)


def show_tree(photos: Sequence[PlacedPhoto], store: FarmStore) -> None:
    for column, photo in zip(st.columns(max(len(photos), 2)), photos, strict=False):
        with column:
            heading = f"Face {photo.placed.face}, {show.day(photo.placed.walked_on)}"
            if photo.measured is None:
                st.write(f"{heading}: not measured with the present settings.")
                if st.button("Measure", key=photo.placed.photo_id):
                    measure_again(store)
            else:
                show.photo(photo.measured, partial(session.overlay, photo.measured), heading)


store = session.farm()
blocks = store.blocks()
st.title("Photos")
show.note(*session.said())
if not blocks:
    st.write("Photos belong to a tree of a block: add a block first.")
    st.page_link("pages/farm.py", label="Add a block", icon=":material/arrow_back:")
    st.stop()
one_tree, walk, hand_work, ruler = st.tabs(["One tree", "A walk", "Hand work", "Ruler"])
with one_tree:
    tree_form(store, blocks)
with walk:
    walk_form(store)
with hand_work:
    hand_count_form(store, blocks)
    hand_uploads(store)
with ruler:
    ruler_form(store)
last = session.last_measured()
if last is not None:
    st.subheader("Just measured")
    show.measured_photos(last)
st.subheader("What was seen")
look_at_photos(store)
st.page_link("pages/block.py", label="See the block", icon=":material/arrow_forward:")

"""Photos in, fruit counted and sized out; hand counts and caliper readings beside them."""

from collections.abc import Sequence
from functools import partial

import streamlit as st

from app import session, show
from app.forms.calipers import caliper_form
from app.forms.hand_work import hand_count_form, hand_uploads, measure_again, ruler_form
from app.forms.office import office_uploads
from app.forms.photos import tree_form, walk_form
from app.forms.references import reference_form
from fruitvision.pipeline.lines import PlacedPhoto, placed_photos
from fruitvision.store import FarmStore


def look_at_photos(store: FarmStore, just_measured: set[str]) -> None:
    """Block and tree to choose, starting with the tree that was measured just now."""
    photos = store.tree_photos()
    if not photos:
        st.write("No photos yet.")
        return
    trees = sorted({photo.tree for photo in photos})
    new = [photo.tree for photo in photos if photo.photo_id in just_measured]
    first = min(new, default=trees[0])
    names = sorted({tree.block_id for tree in trees})
    left, right = st.columns(2)
    name = left.selectbox("Show block", names, index=names.index(first.block_id))
    of_block = [tree for tree in trees if tree.block_id == name]
    tree = right.selectbox(
        "Show tree",
        of_block,
        index=of_block.index(first) if first in of_block else 0,
        format_func=lambda tree: f"Row {tree.row}, tree {tree.position}",
    )
    placed = placed_photos(str(name), store, session.settings())
    of_tree = [photo for photo in placed if photo.placed.tree == tree]
    show_tree(sorted(of_tree, key=lambda photo: photo.placed.face), store)


def show_tree(photos: Sequence[PlacedPhoto], store: FarmStore) -> None:
    columns = st.columns(2)
    for number, photo in enumerate(photos):
        with columns[number % 2]:
            heading = f"Face {photo.placed.face}, {show.day(photo.placed.walked_on)}"
            if photo.measured is None:
                st.write(f"{heading}: not measured with the present settings.")
                if st.button("Measure", key=photo.placed.photo_id):
                    measure_again(store)
            else:
                show.photo(
                    photo.measured,
                    partial(session.overlay, photo.measured),
                    heading,
                    session.units().diameter,
                )


store = session.farm()
blocks = store.blocks()
st.title("Photos")
show.note(*session.said())
if not blocks:
    st.write("Photos belong to a tree of a block: add a block first.")
    st.page_link("screens/setup.py", label="Add a block", icon=":material/arrow_back:")
    st.stop()
one_tree, walk, hand_work, calipered, pointed, office, ruler = st.tabs(
    ["One tree", "A walk", "Hand work", "Calipers", "Balls and sheets", "Office tables", "Ruler"]
)
with one_tree:
    tree_form(store, blocks)
with walk:
    walk_form(store)
with hand_work:
    hand_count_form(store, blocks)
    hand_uploads(store)
with calipered:
    blind = caliper_form(store, blocks)
with pointed:
    reference_form(store, blocks)
with office:
    office_uploads(store)
with ruler:
    ruler_form(store)
if blind:
    st.stop()
last = session.last_measured()
if last is not None:
    st.subheader("Just measured")
    show.measured_photos(last, session.units().diameter)
st.subheader("What was seen")
look_at_photos(store, {item.photo.photo_id for item in last.photos} if last else set())
st.page_link("screens/blocks.py", label="See the block", icon=":material/arrow_forward:")

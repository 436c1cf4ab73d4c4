"""The farm and its blocks."""

from collections import Counter
from collections.abc import Sequence

import streamlit as st

from app import conflicts, session, show
from app.forms.blocks import block_form, blocks_upload, pick_date_form
from app.forms.first_start import first_start
from app.forms.lens import lens_form
from fruitvision.domain import Block
from fruitvision.pipeline.entries import rename_farm, set_units, settings_of
from fruitvision.store import FarmStore
from fruitvision.unit_system import UnitSystem


def blocks_table(store: FarmStore, blocks: Sequence[Block]) -> None:
    photos = Counter(photo.tree.block_id for photo in store.tree_photos())
    show.table(
        [
            {
                "Block": block.block_id,
                "Variety": block.variety,
                "Bearing trees": f"{block.bearing_trees:,}",
                "Pick date": show.day(block.pick_date),
                "Photos": f"{photos[block.block_id]}",
            }
            for block in blocks
        ]
    )


def name_form(store: FarmStore) -> None:
    conflicts.question("farm name", store)
    seen, key = conflicts.shown("farm name", store.farm())
    with st.form("farm name", border=False):
        name = st.text_input("Name of the farm", value=seen.name, key=key)
        if st.form_submit_button("Save name"):
            with conflicts.asked("farm name"):
                rename_farm(name, seen, store, who=session.person())
                conflicts.forget("farm name")
                st.rerun()


def units_form(store: FarmStore) -> None:
    st.write("What is shown to everybody who has not chosen other units at the top of the page.")
    conflicts.question("farm units", store)
    seen, key = conflicts.shown("farm units", store.farm())
    with st.form("farm units", border=False):
        systems = list(UnitSystem)
        chosen = st.radio(
            "Usual units",
            systems,
            index=systems.index(UnitSystem(settings_of(seen).units)),
            format_func=show.units_words,
            key=key,
        )
        if st.form_submit_button("Save units"):
            with conflicts.asked("farm units"):
                set_units(UnitSystem(chosen), seen, store, who=session.person())
                conflicts.forget("farm units")
                session.forget_units()
                st.rerun()


store = session.farm()
blocks = store.blocks()
st.title(show.plain(store.farm_name))
show.note(*session.said())
if blocks:
    blocks_table(store, blocks)
    st.page_link("screens/photos.py", label="Add photos", icon=":material/arrow_forward:")
    with st.expander("Set a pick date"):
        pick_date_form(store, blocks)
else:
    first_start(store)
with st.expander("Add or correct a block", expanded=not blocks):
    block_form(store)
with st.expander("Load a list of blocks"):
    blocks_upload(store)
with st.expander("Calibrate a phone's lens"):
    lens_form(store)
with st.expander("Name and units of the farm"):
    name_form(store)
    units_form(store)
st.caption(f"Kept in {show.plain(str(session.farm_folder()))}. Copy this folder to keep a copy.")

"""Add blocks, and set the days of the pick."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import streamlit as st

from app import conflicts, files, session, show
from fruitvision.domain import Block
from fruitvision.pipeline.additions import add_blocks
from fruitvision.pipeline.entries import save_block
from fruitvision.store import FarmStore
from fruitvision.unit_system import Unit


def pick_date_form(store: FarmStore, blocks: Sequence[Block]) -> None:
    block = session.choose_block(blocks)
    form = f"pick_date {block.block_id}"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, block)
    with st.form(form, border=False):
        chosen = st.date_input("Pick date", value=seen.pick_date, key=key, format="YYYY-MM-DD")
        if st.form_submit_button("Set pick date"):
            with conflicts.asked(form):
                save_block(replace(seen, pick_date=chosen), seen, store, who=session.person())
                conflicts.forget(form)
                session.say_next(f"{block.block_id} is picked on {show.day(chosen)}.")
                st.rerun()


def block_form(store: FarmStore) -> None:
    """One block; lengths and area in the visitor's units, where they are known."""
    units = session.units()
    conflicts.question("block", store)
    with st.form("block", border=False):
        name = st.text_input("Name of the block")
        variety = st.text_input("Variety")
        positions = st.number_input("Tree positions", min_value=1, value=1000, step=1)
        missing = st.number_input("Missing trees", min_value=0, value=0, step=1)
        pollinizers = st.number_input("Pollinizers", min_value=0, value=0, step=1)
        pick_date = st.date_input("Pick date of this block", value=None, format="YYYY-MM-DD")
        row_spacing = _length("Distance between rows", units.distance)
        tree_spacing = _length("Distance between trees", units.distance)
        area = _length("Area of the block", units.area)
        if st.form_submit_button("Save block"):
            block = Block(
                block_id=name.strip(),
                variety=variety.strip(),
                positions=int(positions),
                missing=int(missing),
                pollinizers=int(pollinizers),
                pick_date=pick_date,
                row_spacing_m=row_spacing,
                tree_spacing_m=tree_spacing,
                area_ha=area,
            )
            with conflicts.asked("block"):
                save_block(block, None, store, who=session.person())
                session.say_next(f"{block.block_id} is saved.")
                st.rerun()


def _length(label: str, unit: Unit) -> float | None:
    """A length or an area as the package keeps it; None if it is left out."""
    typed = st.number_input(
        f"{label}, {unit.symbol} (if known)", min_value=0.0, value=None, step=0.1
    )
    return unit.kept(float(typed)) if typed else None


def blocks_upload(store: FarmStore) -> None:
    st.write("Columns: block, variety, positions; where known missing, pollinizers, pick_date.")
    upload = st.file_uploader("blocks.csv", type="csv", key=f"blocks {session.upload_round()}")
    if upload and st.button("Load blocks"):
        with show.errors(), files.saved([upload]) as saved:
            added = add_blocks(saved[0].path, store, who=session.person())
            session.say_next(f"{show.counted(added.rows, 'block')} in.", added.refused)
            st.rerun()

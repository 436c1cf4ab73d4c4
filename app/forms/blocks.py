"""Add blocks and correct them; the days of the pick, what a block is wanted to bear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import streamlit as st

from app import conflicts, session
from app.wording import say, sentence
from fruitvision.crop_load import trunk_area_from_girth_cm2
from fruitvision.domain import Block
from fruitvision.pipeline.believable import hardly_meant
from fruitvision.pipeline.block_entries import save_block
from fruitvision.store import FarmStore
from fruitvision.unit_system import Unit


def pick_date_form(store: FarmStore, block: Block) -> None:
    """The day on which a block is picked."""
    form = f"pick_date {block.block_id}"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, block)
    with st.form(form, border=False):
        chosen = st.date_input(
            say("setup.pick_date"), value=seen.pick_date, key=key, format="YYYY-MM-DD"
        )
        if conflicts.save_button(say("setup.set_pick_date"), form):
            _save(form, replace(seen, pick_date=chosen), seen, store)


def target_form(store: FarmStore, block: Block) -> None:
    """Fruit per tree and their mean diameter at the pick that a block is wanted to bear."""
    unit = session.units().diameter
    form = f"targets {block.block_id} {unit.symbol}"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, block)
    with st.form(form, border=False):
        left, right = st.columns(2)
        fruit = left.number_input(
            say("setup.target_fruit"),
            value=seen.target_fruit_per_tree,
            step=5.0,
            format="%.0f",
            key=key,
            help=say("setup.target_fruit_help"),
        )
        with right:
            diameter_mm = _length(say("setup.target_diameter"), unit, seen.target_diameter_mm)
        if conflicts.save_button(say("setup.save_targets"), form):
            wanted = replace(
                seen, target_fruit_per_tree=fruit or None, target_diameter_mm=diameter_mm
            )
            _save(form, wanted, seen, store)


def block_form(store: FarmStore, blocks: Sequence[Block]) -> None:
    """A new block, or one to correct; lengths and area in the visitor's units."""
    names = [block.block_id for block in blocks]
    chosen = (
        st.selectbox(
            say("setup.which_block"),
            ["", *names],
            format_func=lambda name: name or say("setup.new_block"),
        )
        if names
        else ""
    )
    form = f"block {chosen} {session.units().system.value}"
    now = next((block for block in blocks if block.block_id == chosen), None)
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, now)
    with st.form(form, border=False):
        typed = _block_boxes(seen, key)
        if conflicts.save_button(say("setup.save_block"), form, first=True):
            _save(form, typed, seen, store)


def _block_boxes(seen: Block | None, key: str) -> Block:
    """What the boxes of the form hold, which start with the block that was seen."""
    units, shown = session.units(), seen or Block(block_id="", variety="", positions=0)
    left, right = st.columns(2)
    name = shown.block_id or left.text_input(say("setup.block_name"), key=f"name {key}")
    variety = (right if seen is None else left).text_input(
        say("setup.variety"), value=shown.variety, key=key
    )
    left, middle, right = st.columns(3)
    # No limits in the boxes: a browser keeps back what breaks them, without a word on a phone.
    positions: int | None = left.number_input(
        say("setup.positions"), value=shown.positions or None, step=1
    )
    missing = middle.number_input(say("setup.missing"), value=shown.missing, step=1)
    pollinizers = right.number_input(say("setup.pollinizers"), value=shown.pollinizers, step=1)
    left, middle, right = st.columns(3)
    with left:
        row_m = _length(say("setup.between_rows"), units.distance, shown.row_spacing_m)
    with middle:
        tree_m = _length(say("setup.between_trees"), units.distance, shown.tree_spacing_m)
    with right:
        area_ha = _length(say("setup.area"), units.area, shown.area_ha)
    area_cm2, bloom = _trunk_and_bloom(shown)
    left, right = st.columns(2)
    group = left.text_input(say("setup.group"), value=shown.group, help=say("setup.group_help"))
    pick_date: date | None = right.date_input(
        say("setup.pick_date_of_new"), value=shown.pick_date, format="YYYY-MM-DD"
    )
    return replace(
        shown,
        block_id=name.strip(),
        variety=variety.strip(),
        positions=int(positions or 0),
        missing=int(missing),
        pollinizers=int(pollinizers),
        pick_date=pick_date,
        row_spacing_m=row_m,
        tree_spacing_m=tree_m,
        area_ha=area_ha,
        group=group.strip(),
        trunk_area_cm2=area_cm2,
        full_bloom_on=bloom,
    )


def _trunk_and_bloom(shown: Block) -> tuple[float | None, date | None]:
    """The mean trunk, by its section or its girth, and the day of full bloom.

    A girth that is typed stands in place of the section.
    """
    left, middle, right = st.columns(3)
    kept = None if shown.trunk_area_cm2 is None else round(shown.trunk_area_cm2, 1)
    section: float | None = left.number_input(
        say("setup.trunk_area"),
        value=kept,
        step=0.1,
        format="%.1f",
        help=say("setup.trunk_help"),
    )
    unit = session.units().diameter
    with middle:
        girth_mm = _length(say("setup.trunk_girth"), unit, None)
    bloom: date | None = right.date_input(
        say("setup.full_bloom"),
        value=shown.full_bloom_on,
        format="YYYY-MM-DD",
        help=say("setup.full_bloom_help"),
    )
    if girth_mm is not None:
        return _section_of(girth_mm), bloom
    return (shown.trunk_area_cm2 if section == kept else section or None), bloom


def _section_of(girth_mm: float) -> float:
    """Of a girth below 0, which the library refuses with a sentence, as it stands."""
    return trunk_area_from_girth_cm2(girth_mm) if girth_mm > 0 else girth_mm


def _save(form: str, new: Block, seen: Block | None, store: FarmStore) -> None:
    with conflicts.asked(form):
        doubts = hardly_meant(new, seen, store)
        save_block(new, seen, store, who=session.person())
        conflicts.forget(form)
        but = say("setup.is_that_meant", why=" ".join(map(sentence, doubts))) if doubts else ""
        session.say_next(say("setup.block_saved", block=new.block_id), but=but)
        st.rerun()


def _length(label: str, unit: Unit, now: float | None) -> float | None:
    """A length or an area as the package keeps it; None if it is left out.

    What is not touched stays as it is kept, to the last digit.
    """
    digits = unit.decimals(2 if unit.name in ("m", "ha") else 1)
    shown = None if now is None else round(unit.shown(now), digits)
    typed = st.number_input(
        say("setup.if_known", what=label, unit=unit.symbol),
        value=shown,
        step=10.0**-1,
        format=f"%.{digits}f",
    )
    if typed == shown:
        return now
    return unit.kept(float(typed)) if typed else None

"""The farm and its blocks: what is entered once, or seldom."""

from collections.abc import Sequence

import streamlit as st

from app import changes, conflicts, session, show
from app.forms.block_off import take_off_form
from app.forms.blocks import block_form, pick_date_form, target_form
from app.forms.first_start import first_start
from app.forms.hand_work import ruler_form
from app.forms.lens import lens_form
from app.forms.planning import planning_form
from app.forms.size_table import size_table_upload
from app.forms.take_out import take_out_part
from app.papers.link import tables_link
from app.show_crop import size_table_words
from app.wording import LANGUAGES, day, measure, number, say
from fruitvision.domain import Block
from fruitvision.pipeline.farm_entries import rename_farm, set_language, set_units, settings_of
from fruitvision.pipeline.size_tables import size_tables_of
from fruitvision.store import FarmStore
from fruitvision.unit_system import UnitSystem


def blocks_table(blocks: Sequence[Block]) -> None:
    show.table(
        [
            {
                say("setup.block"): block.block_id,
                say("setup.variety"): block.variety,
                say("setup.bearing_trees"): number(block.bearing_trees),
                say("setup.pick_date"): day(block.pick_date),
                say("setup.target"): target_words(block),
            }
            for block in blocks
        ]
    )


def target_words(block: Block) -> str:
    """`96 a tree, 75 mm`, with what is known of it."""
    fruit, mm = block.target_fruit_per_tree, block.target_diameter_mm
    words = [] if fruit is None else [say("setup.target_words", fruit=number(fruit))]
    words += [] if mm is None else [measure(mm, session.units().diameter)]
    return ", ".join(words) or "–"


def name_form(store: FarmStore) -> None:
    conflicts.question("farm name", store)
    seen, key = conflicts.shown("farm name", store.farm())
    with st.form("farm name", border=False):
        name = st.text_input(say("setup.farm_name"), value=seen.name, key=key)
        if conflicts.save_button(say("setup.save_name"), "farm name"):
            with conflicts.asked("farm name"):
                rename_farm(name, seen, store, who=session.person())
                conflicts.forget("farm name")
                st.rerun()


def units_form(store: FarmStore) -> None:
    conflicts.question("farm units", store)
    seen, key = conflicts.shown("farm units", store.farm())
    with st.form("farm units", border=False):
        systems = list(UnitSystem)
        chosen = st.radio(
            say("setup.usual_units"),
            systems,
            index=systems.index(UnitSystem(settings_of(seen).units)),
            format_func=show.units_words,
            key=key,
        )
        if conflicts.save_button(say("setup.save_units"), "farm units"):
            with conflicts.asked("farm units"):
                set_units(UnitSystem(chosen), seen, store, who=session.person())
                conflicts.forget("farm units")
                session.use_farm_units()
                st.rerun()


def language_form(store: FarmStore) -> None:
    conflicts.question("farm language", store)
    seen, key = conflicts.shown("farm language", store.farm())
    with st.form("farm language", border=False):
        codes = ["", *LANGUAGES]
        now = settings_of(seen).language
        chosen = st.selectbox(
            say("setup.usual_language"),
            codes,
            index=codes.index(now) if now in codes else 0,
            format_func=lambda code: LANGUAGES.get(code) or say("setup.language_of_browser"),
            key=key,
        )
        if conflicts.save_button(say("setup.save_language"), "farm language"):
            with conflicts.asked("farm language"):
                set_language(chosen, seen, store, who=session.person())
                conflicts.forget("farm language")
                session.use_farm_language()
                st.rerun()


def farm_part(store: FarmStore) -> None:
    st.subheader(say("setup.farm"))
    with st.expander(say("setup.name_and_usual")):
        name_form(store)
        st.caption(say("setup.usual_words"))
        units_form(store)
        language_form(store)
    with st.expander(say("planning.head")):
        planning_form(store)
    with st.expander(say("setup.take_out")):
        take_out_part(store)
    with st.expander(say("setup.changes")):
        changes.latest_changes(store)
    st.caption(say("setup.kept_in", folder=show.plain(str(session.farm_folder()))))


def measuring_part(store: FarmStore) -> None:
    st.subheader(say("setup.measuring"))
    with st.expander(say("setup.size_tables")):
        names = ", ".join(size_table_words(name) for name in size_tables_of(session.farm_folder()))
        st.write(say("setup.size_tables_words", names=show.plain(names)))
        size_table_upload(store)
    with st.expander(say("setup.ruler")):
        ruler_form(store)
    with st.expander(say("setup.lens")):
        lens_form(store)


def blocks_part(store: FarmStore, blocks: Sequence[Block]) -> None:
    st.subheader(say("setup.blocks"))
    if blocks:
        blocks_table(blocks)
        session.page_link(
            "screens/photos.py", label=say("setup.add_photos"), icon=":material/arrow_forward:"
        )
        with st.expander(say("setup.dates_and_targets")):
            block = session.choose_block(blocks)
            pick_date_form(store, block)
            target_form(store, block)
    with st.expander(say("setup.add_block"), expanded=not blocks):
        block_form(store, blocks)
    if blocks:
        with st.expander(say("setup.take_off")):
            take_off_form(store, blocks)
    with st.expander(say("setup.tables")):
        tables_link("register")


store = session.farm()
blocks = store.blocks()
st.title(say("setup.title"))
show.note(*session.said())
if not blocks:
    first_start(store)
blocks_part(store, blocks)
measuring_part(store)
farm_part(store)

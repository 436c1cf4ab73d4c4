"""Hand counts, caliper readings, and the ruler of the printed sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import streamlit as st

from app import conflicts, files, session, show
from fruitvision.domain import Block, HandCount, Protocol, TreeId
from fruitvision.pipeline import measure_kept_photos
from fruitvision.pipeline.additions import Added, add_calipers, add_hand_counts
from fruitvision.pipeline.entries import save_hand_count, set_ruler, settings_of
from fruitvision.settings import RULER_MM
from fruitvision.store import FarmStore


def hand_count_form(store: FarmStore, blocks: Sequence[Block]) -> None:
    """One tree or panel, every fruit of it counted by hand."""
    conflicts.question("hand count", store)
    with st.form("hand count", border=False):
        name = st.selectbox("Block of the tree", [block.block_id for block in blocks])
        left, middle, right = st.columns(3)
        row = left.number_input("Row of the tree", min_value=1, value=1, step=1)
        position = middle.number_input("Place in the row", min_value=1, value=1, step=1)
        fruit = right.number_input("Fruit on the tree", min_value=0, value=0, step=1)
        counted_on = st.date_input("Counted on", value=session.today(), format="YYYY-MM-DD")
        protocol = st.radio("Its photos show", list(Protocol), index=1, horizontal=True)
        if st.form_submit_button("Save hand count"):
            tree = TreeId(str(name), int(row), int(position))
            count = HandCount(
                tree=tree,
                fruit_count=int(fruit),
                counted_on=counted_on,
                protocol=protocol or Protocol.TWO_FACES,
            )
            with conflicts.asked("hand count"):
                save_hand_count(count, None, store, who=session.person())
                session.say_next(f"{tree}: {count.fruit_count} fruit counted by hand.")
                st.rerun()


def hand_uploads(store: FarmStore) -> None:
    """Whole tables of hand counts and caliper readings."""
    _table_upload(
        "hand_counts.csv",
        "block, row, position, fruit_count, counted_on",
        lambda path: add_hand_counts(path, store, who=session.person()),
    )
    _table_upload(
        "calipers.csv",
        "block, row, position, measured_on, diameter_mm",
        lambda path: add_calipers(path, store, who=session.person()),
    )


def _table_upload(file: str, columns: str, add: Callable[[Path], Added]) -> None:
    upload = st.file_uploader(
        f"{file}: {columns}", type="csv", key=f"{file} {session.upload_round()}"
    )
    if upload and st.button(f"Load {file}"):
        with show.errors(), files.saved([upload]) as saved:
            added = add(saved[0].path)
            session.say_next(f"{file}: {show.counted(added.rows, 'row')} in.", added.refused)
            st.rerun()


# Our choice: what a steel rule of that kind reads.
RULER_STEPS = {"mm": 0.5, "in": 0.01}


def ruler_form(store: FarmStore) -> None:
    """The measured length of the printed ruler; it rescales every photo."""
    unit = session.units().diameter
    form = f"ruler {unit.symbol}"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, store.farm())
    now = settings_of(seen).ruler_measured_mm
    digits = unit.all_decimals(1)
    with st.form("ruler", border=False):
        measured = st.number_input(
            f"Measured length of the {RULER_MM:.0f} mm ruler, {unit.symbol}",
            min_value=unit.shown(100.0),
            max_value=unit.shown(200.0),
            value=unit.shown(now),
            key=key,
            step=RULER_STEPS[unit.symbol],
            format=f"%.{digits}f",
            help="Lay a steel rule on the printed sheet. Printed at 100 %, it reads "
            f"{unit.shown(RULER_MM):.{digits}f}.",
        )
        if st.form_submit_button("Save length"):
            with conflicts.asked(form):
                set_ruler(unit.kept(float(measured)), seen, store, who=session.person())
                conflicts.forget(form)
                measure_again(store)


def measure_again(store: FarmStore, names: Mapping[str, str] | None = None) -> None:
    """Measure the kept photos with the farm's present settings, see `measure_kept_photos`."""
    result = measure_kept_photos(
        store, settings=session.settings(), on_progress=show.progress(), names=names
    )
    session.say_next(f"{show.counted(len(result.photos), 'photo')} measured again.", result.refused)
    st.rerun()

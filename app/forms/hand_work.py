"""Hand counts, caliper readings, and the ruler of the printed sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import streamlit as st

from app import conflicts, session, work
from app.waiting import reason_words
from app.wording import number, say
from fruitvision.domain import Block, HandCount, Protocol, TreeId
from fruitvision.pipeline.believable import check_past
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.pipeline.farm_entries import set_ruler, settings_of
from fruitvision.pipeline.waiting import wait_of
from fruitvision.settings import RULER_MM
from fruitvision.store import FarmStore


def hand_count_form(store: FarmStore, blocks: Sequence[Block]) -> None:
    """One tree or panel, every fruit of it counted by hand."""
    conflicts.question("hand count", store)
    with st.form("hand count", border=False, enter_to_submit=False):
        name = st.selectbox(say("forms.block_of_tree"), [block.block_id for block in blocks])
        left, middle, right = st.columns(3)
        row = left.number_input(say("forms.row_of_tree"), value=1, step=1)
        position = middle.number_input(say("forms.place_in_row"), value=1, step=1)
        fruit = right.number_input(say("forms.fruit_on_tree"), value=None, step=1)
        counted_on = st.date_input(
            say("forms.counted_on"), value=session.today(), format="YYYY-MM-DD"
        )
        protocol = st.radio(
            say("forms.its_photos_show"),
            list(Protocol),
            index=1,
            format_func=lambda one: say(f"forms.protocol_{one.name.lower()}"),
        )
        if conflicts.save_button(say("forms.save_hand_count"), "hand count"):
            if fruit is None:
                st.error(say("forms.count_empty"))
                return
            tree = TreeId(str(name), int(row), int(position))
            count = HandCount(
                tree=tree,
                fruit_count=int(fruit),
                counted_on=counted_on,
                protocol=protocol or Protocol.TWO_FACES,
            )
            with conflicts.asked("hand count"):
                check_past(counted_on, session.today())
                save_hand_count(count, None, store, who=session.person())
                session.say_next(
                    say(
                        "forms.hand_counted",
                        block=tree.block_id,
                        row=str(tree.row),
                        tree=str(tree.position),
                        n=count.fruit_count,
                    ),
                    but=_waits(count, store),
                )
                st.rerun()


def _waits(count: HandCount, store: FarmStore) -> str:
    """Why a count that was just saved enters no number; empty if it does."""
    found = wait_of(count, store, session.walks_of(count.tree.block_id))
    return "" if found is None else say("forms.count_waits", why=reason_words(found))


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
            say("forms.ruler_length", unit=unit.symbol),
            value=unit.shown(now),
            key=key,
            step=RULER_STEPS[unit.symbol],
            format=f"%.{digits}f",
            help=say("forms.ruler_help", length=number(unit.shown(RULER_MM), digits)),
        )
        if conflicts.save_button(say("forms.save_length"), form):
            with conflicts.asked(form):
                set_ruler(unit.kept(float(measured)), seen, store, who=session.person())
                conflicts.forget(form)
                measure_again(store)


def measure_again(store: FarmStore, names: Mapping[str, str] | None = None) -> None:
    """Measure what is not measured with the farm's present settings, see `work.measure_again`."""
    work.measure_again(store, names)

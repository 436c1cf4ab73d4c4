"""What a scout counts, calipers and finds at a tree."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from app import session, show
from app.conflicts import asked, forget, is_open, question, shown
from app.walk import look
from app.wording import measure, say
from fruitvision.domain import (
    CaliperReading,
    HandCount,
    KeptWalk,
    MeasuredPhoto,
    TreeKind,
)
from fruitvision.field_data import read_diameter_mm
from fruitvision.pipeline.entries import calipers_of, save_calipers, save_hand_count
from fruitvision.pipeline.walking import drop_count, say_found
from fruitvision.store import FarmStore
from fruitvision.walk_progress import Stop

# Our choice: what a person reads off a caliper.
CALIPER_STEPS = {"mm": 0.1, "in": 0.01}
# Key of the session state: grows with every reading, so that the box is empty again.
_READINGS = "walk readings"


def count_form(store: FarmStore, walk: KeptWalk, stop: Stop) -> None:
    """The hand count, before anybody is shown the photos' count; or that there is none."""
    form = _count_form(stop)
    st.markdown(f"**{say('walk.count_head')}**")
    st.write(say("walk.count_why"))
    _, key = shown(form, None)
    count = st.number_input(say("walk.count_box"), min_value=0, value=None, step=1, key=key)
    if st.button(say("walk.count_save"), type="primary", width="stretch"):
        if count is None:
            look.bad(say("walk.count_empty"))
        else:
            new = HandCount(tree=stop.tree, fruit_count=int(count), counted_on=session.today())
            with asked(form):
                save_hand_count(new, None, store, who=session.person())
                forget(form)
                st.rerun()
    if st.button(say("walk.count_skip"), width="stretch"):
        with show.errors():
            drop_count(store, walk, stop.tree)
            forget(form)
            st.rerun()


def count_question(store: FarmStore, stop: Stop) -> None:
    """Asks which count stays, where two people counted this tree."""
    question(_count_form(stop), store)


def is_counting(stop: Stop) -> bool:
    """Whether a count is still wanted, or this visitor was about to save one as another did."""
    return stop.count_first or is_open(_count_form(stop))


def _count_form(stop: Stop) -> str:
    return f"count {stop.tree}"


def count_words(stop: Stop, measured: Mapping[str, MeasuredPhoto]) -> None:
    """The hand count beside the photos' count, once the first is saved."""
    if stop.counted is None:
        return
    first = {photo.face: photo.photo_id for photo in reversed(stop.photos)}
    shown = [measured[photo_id] for photo_id in first.values() if photo_id in measured]
    count = stop.counted.fruit_count
    if stop.faces_missing or len(shown) < len(first):
        look.good(say("walk.count_kept_alone", count=count))
    else:
        seen = sum(photo.fruit_count for photo in shown)
        look.good(say("walk.count_kept", count=count, seen=seen))


def caliper_form(store: FarmStore, stop: Stop) -> None:
    """One diameter after the other, in the visitor's unit."""
    unit, today = session.units().diameter, session.today()
    seen = calipers_of(stop.tree, today, store)
    st.write(say("walk.calipers_why"))
    question(_form(stop), store)
    if seen:
        listed = ", ".join(measure(one.diameter_mm, unit, 1) for one in seen)
        st.write(say("walk.calipers_of", n=len(seen), list=listed))
    value = st.number_input(
        say("walk.calipers_box", number=len(seen) + 1, unit=unit.symbol),
        value=None,
        step=CALIPER_STEPS[unit.symbol],
        format=f"%.{unit.decimals(1)}f",
        key=f"caliper {stop.tree} {st.session_state.get(_READINGS, 0)}",
    )
    if st.button(say("walk.calipers_save"), type="primary", width="stretch"):
        if value is None:
            look.bad(say("walk.calipers_empty"))
        else:
            with asked(_form(stop)):
                in_mm, in_inches = (f"{value}", "") if unit.size == 1.0 else ("", f"{value}")
                diameter_mm = read_diameter_mm(in_mm, in_inches)
                new = CaliperReading(tree=stop.tree, measured_on=today, diameter_mm=diameter_mm)
                _keep(store, stop, (*seen, new), seen)
    if seen and st.button(say("walk.calipers_undo"), width="stretch"):
        with asked(_form(stop)):
            _keep(store, stop, seen[:-1], seen)


def _form(stop: Stop) -> str:
    return f"calipers {stop.tree}"


def _keep(
    store: FarmStore,
    stop: Stop,
    new: tuple[CaliperReading, ...],
    seen: tuple[CaliperReading, ...],
) -> None:
    today = session.today()
    save_calipers(new, seen, store, tree=stop.tree, measured_on=today, who=session.person())
    st.session_state[_READINGS] = st.session_state.get(_READINGS, 0) + 1
    st.rerun()


def found_form(store: FarmStore, stop: Stop) -> None:
    """What stands at the place, where it is no bearing tree."""
    kinds = [TreeKind.MISSING, TreeKind.REPLANT, TreeKind.POLLINIZER]
    if stop.found not in (None, TreeKind.BEARING):
        kinds = [TreeKind.BEARING]
    for kind in kinds:
        if st.button(say(f"walk.found_{kind.value}"), width="stretch"):
            with show.errors():
                say_found(store, stop.tree, kind, on=session.today())
                st.rerun()

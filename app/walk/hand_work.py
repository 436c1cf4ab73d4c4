"""What a scout counts, calipers and finds at a tree."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import streamlit as st

from app import session, show
from app.conflicts import asked, forget, is_open, question, shown
from app.walk import look
from app.wording import measure, number, say
from fruitvision.domain import (
    CaliperReading,
    HandCount,
    KeptWalk,
    MeasuredPhoto,
    TreeKind,
)
from fruitvision.errors import FieldDataError
from fruitvision.field_data import read_diameter_mm
from fruitvision.pipeline.entries import (
    calipers_of,
    save_calipers,
    save_hand_count,
    take_out_hand_count,
)
from fruitvision.pipeline.odd_counts import looks_odd
from fruitvision.pipeline.walking import drop_count, say_found, want_count
from fruitvision.store import FarmStore
from fruitvision.unit_system import Unit
from fruitvision.walk_progress import Stop

# Our choice: what a person reads off a caliper.
CALIPER_STEPS = {"mm": 0.1, "in": 0.01}
# Key of the session state: the count that somebody was asked about, with its form.
_ODD = "walk odd count"


def count_form(store: FarmStore, walk: KeptWalk, stop: Stop) -> None:
    """The hand count, before anybody is shown the photos' count; or that there is none."""
    form = _count_form(stop)
    st.markdown(f"**{say('walk.count_head')}**")
    st.write(say("walk.count_why"))
    _count_box(store, stop, form, None)
    if st.button(say("walk.count_skip"), width="stretch"):
        with show.errors():
            drop_count(store, walk, stop.tree, who=session.person())
            forget(form)
            st.rerun()


def _count_box(
    store: FarmStore,
    stop: Stop,
    form: str,
    now: HandCount | None,
) -> HandCount | None:
    """A box and its button; a count that looks like a slip is saved at a second word only.

    Returns
    -------
    HandCount or None
        The count that the visitor sees in the box, whatever others saved meanwhile.
    """
    seen, key = shown(form, now)
    count = st.number_input(
        say("walk.count_box"), value=seen.fruit_count if seen else None, step=1, key=key
    )
    save = st.button(say("walk.count_save"), type="primary", width="stretch", key=f"save {form}")
    if save and count is None:
        look.bad(say("walk.count_empty"))
    if count is None:
        return seen
    odd = count >= 0 and looks_odd(_counted(stop, seen, int(count)), store)
    if save and odd:
        st.session_state[_ODD] = (form, count)
    if odd and st.session_state.get(_ODD) == (form, count):
        # What the photos show is not told here: it must not lead anybody.
        look.bad(say("walk.count_odd", count=int(count)), say("walk.count_odd_what"))
        save = st.button(say("walk.count_odd_save", count=int(count)), width="stretch")
    if save and (not odd or st.session_state.get(_ODD) == (form, count)):
        _save_count(store, stop, form, seen, int(count))
    return seen


def _save_count(
    store: FarmStore, stop: Stop, form: str, seen: HandCount | None, count: int
) -> None:
    new = _counted(stop, seen, count)
    with asked(form):
        save_hand_count(new, seen, store, who=session.person())
        forget(form)
        st.session_state.pop(_ODD, None)
        st.rerun()


def _counted(stop: Stop, seen: HandCount | None, count: int) -> HandCount:
    if seen is not None:
        return replace(seen, fruit_count=count)
    return HandCount(tree=stop.tree, fruit_count=count, counted_on=session.today())


def count_question(store: FarmStore, stop: Stop) -> None:
    """Asks which count stays, where two people counted this tree."""
    for form in (_count_form(stop), _correction(stop)):
        question(form, store)


def is_counting(stop: Stop) -> bool:
    """Whether a count is still wanted, or this visitor was about to save one as another did."""
    return stop.count_first or is_open(_count_form(stop))


def _count_form(stop: Stop) -> str:
    return f"count {stop.tree}"


def _correction(stop: Stop) -> str:
    return f"recount {stop.tree}"


def count_words(store: FarmStore, stop: Stop, measured: Mapping[str, MeasuredPhoto]) -> None:
    """The hand count beside the photos' count, once the first is saved; and a way to correct it."""
    if stop.counted is None:
        return
    count = stop.counted.fruit_count
    seen = seen_of_faces(stop, measured)
    words, below = say("walk.count_kept_alone", count=count), ""
    if seen is not None:
        sides = " + ".join(number(one) for one in seen)
        words = say("walk.count_kept", count=count, sides=sides)
        below = say("walk.count_sides")
    if looks_odd(stop.counted, store):
        look.bad(words, say("walk.count_odd_kept"))
    else:
        look.good(words, below)
    if not session.may_change():
        return
    with st.expander(say("walk.count_correct"), key=f"walk correct {stop.tree} {count}"):
        in_box = _count_box(store, stop, _correction(stop), stop.counted)
        st.write(say("walk.count_take_out_words"))
        if st.button(say("walk.count_take_out"), width="stretch"):
            with asked(_correction(stop)):
                take_out_hand_count(in_box or stop.counted, store, who=session.person())
                forget(_correction(stop))
                st.rerun()


def count_after_all(store: FarmStore, walk: KeptWalk, stop: Stop) -> None:
    """A tree that nobody is asked to count: count it after all."""
    if stop.place.count_by_hand or stop.counted is not None:
        return
    with st.expander(say("walk.count_after_all"), key=f"walk after all {stop.tree}"):
        st.write(say("walk.count_after_all_words"))
        if st.button(say("walk.count_after_all"), width="stretch", key=f"want {stop.tree}"):
            with show.errors():
                want_count(store, walk, stop.tree, who=session.person())
                st.rerun()


def seen_of_faces(stop: Stop, measured: Mapping[str, MeasuredPhoto]) -> list[int] | None:
    """Fruit seen in the first photo of each face; None unless both are measured."""
    first = {photo.face: photo.photo_id for photo in reversed(stop.photos)}
    if stop.faces_missing or not all(photo_id in measured for photo_id in first.values()):
        return None
    return [measured[photo_id].fruit_count for _, photo_id in sorted(first.items())]


def caliper_form(store: FarmStore, stop: Stop) -> None:
    """One diameter after the other, in the visitor's unit."""
    unit, today = session.units().diameter, session.today()
    form = _form(stop)
    st.write(say("walk.calipers_why"))
    question(form, store)
    # What another scout saves meanwhile is not seen here: it is never taken away without a word.
    seen, key = shown(form, calipers_of(stop.tree, today, store))
    if seen:
        listed = ", ".join(measure(one.diameter_mm, unit, 1) for one in seen)
        st.write(say("walk.calipers_of", n=len(seen), list=listed))
    value = st.number_input(
        say("walk.calipers_box", number=len(seen) + 1, unit=unit.symbol),
        value=None,
        step=CALIPER_STEPS[unit.symbol],
        format=f"%.{unit.decimals(1)}f",
        key=key,
    )
    if st.button(say("walk.calipers_save"), type="primary", width="stretch"):
        diameter_mm = None if value is None else _typed_mm(value, unit)
        if value is None:
            look.bad(say("walk.calipers_empty"))
        elif diameter_mm is None:
            typed = number(value, unit.decimals(1))
            look.bad(say("walk.calipers_odd", number=typed, unit=unit.symbol))
        else:
            with asked(form):
                new = CaliperReading(tree=stop.tree, measured_on=today, diameter_mm=diameter_mm)
                _keep(store, stop, (*seen, new), seen)
    if seen and st.button(say("walk.calipers_undo"), width="stretch"):
        with asked(form):
            _keep(store, stop, seen[:-1], seen)


def _typed_mm(value: float, unit: Unit) -> float | None:
    """A diameter typed in the visitor's unit, mm; None if no fruit has it, or it is of the other
    unit."""
    in_mm, in_inches = (f"{value}", "") if unit.size == 1.0 else ("", f"{value}")
    try:
        return read_diameter_mm(in_mm, in_inches)
    except FieldDataError:
        return None


def _form(stop: Stop) -> str:
    return f"calipers {stop.tree} {session.today()}"


def _keep(
    store: FarmStore,
    stop: Stop,
    new: tuple[CaliperReading, ...],
    seen: tuple[CaliperReading, ...],
) -> None:
    today = session.today()
    save_calipers(new, seen, store, tree=stop.tree, measured_on=today, who=session.person())
    forget(_form(stop))
    st.rerun()


def gap_form(store: FarmStore, stop: Stop) -> None:
    """Whether a gap of the register is one: the two answers come before all else."""
    st.write(say("walk.gap_why"))
    answers = {"walk.gap_as_listed": TreeKind.MISSING, "walk.gap_not": TreeKind.BEARING}
    for words, kind in answers.items():
        main = kind is TreeKind.MISSING
        if st.button(say(words), type="primary" if main else "secondary", width="stretch"):
            with show.errors():
                say_found(store, stop.tree, kind, on=session.today(), who=session.person())
                st.rerun()


def found_form(store: FarmStore, stop: Stop) -> None:
    """What stands at the place, where it is no bearing tree."""
    kinds = [TreeKind.MISSING, TreeKind.REPLANT, TreeKind.POLLINIZER]
    if stop.found not in (None, TreeKind.BEARING):
        kinds = [TreeKind.BEARING]
    for kind in kinds:
        if st.button(say(f"walk.found_{kind.value}"), width="stretch"):
            with show.errors():
                say_found(store, stop.tree, kind, on=session.today(), who=session.person())
                st.rerun()

"""One stop of the walk: where it is, its photos, its hand count, what else is found there."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import session
from app.walk import look, way
from app.walk.hand_work import (
    caliper_form,
    count_after_all,
    count_form,
    count_question,
    count_words,
    found_form,
    gap_form,
    is_counting,
)
from app.walk.photos import both_faces, take_off_form
from app.wording import say
from fruitvision.domain import Block, KeptWalk, TreeKind
from fruitvision.pipeline.walking import measured_of, way_to
from fruitvision.store import FarmStore
from fruitvision.walk_progress import Stop, next_stop


def tree_view(
    store: FarmStore, walk: KeptWalk, stops: Sequence[Stop], here: Stop, block: Block
) -> None:
    """All of one stop, in the order of the work; who may only look sees what is there."""
    may_change = session.may_change()
    look.up(str(here.tree))
    _where(store, walk, stops, here, block)
    if here.gap_to_check:
        if may_change:
            gap_form(store, here)
        _go_on(stops, here, good=False)
        return
    faulty = False
    if here.nothing_to_see and here.found is not None:
        look.good(say(f"walk.is_{here.found.value}"))
    else:
        if here.found is TreeKind.REPLANT:
            look.good(say("walk.is_replant"))
        measured = measured_of(store, here, session.settings())
        faulty = both_faces(store, walk, here, block, measured)
        if may_change:
            count_question(store, here)
            if is_counting(here):
                count_form(store, walk, here)
        count_words(store, here, measured)
    _go_on(stops, here, good=here.done and not faulty)
    if may_change:
        _more_to_do(store, walk, here)
    else:
        st.info(say("walk.look_only"), icon=":material/visibility:")


def _more_to_do(store: FarmStore, walk: KeptWalk, here: Stop) -> None:
    """What only some trees ask for, folded away."""
    if not here.photos:
        with st.expander(say("walk.found_head"), key=f"walk found {here.tree}"):
            found_form(store, here)
    if not here.nothing_to_see:
        count_after_all(store, walk, here)
        with st.expander(say("walk.calipers_head"), key=f"walk calipers {here.tree}"):
            caliper_form(store, here)
    if here.photos:
        with st.expander(say("walk.take_off"), key=f"walk take_off {here.tree}"):
            take_off_form(store, here)


def _where(
    store: FarmStore, walk: KeptWalk, stops: Sequence[Stop], here: Stop, block: Block
) -> None:
    notes = {
        "walk.count_this": here.count_first,
        "walk.as_last_time": here.place.repeat,
        "walk.register_missing": here.place.kind is TreeKind.MISSING,
        "walk.register_replant": here.place.kind is TreeKind.REPLANT,
    }
    look.next_tree(
        say("walk.stop_of", block=block.block_id, stop=here.number, stops=len(stops)),
        say("walk.row_huge", row=str(here.tree.row)),
        say("walk.tree_huge", tree=str(here.tree.position)),
        _steps_words(store, walk, stops, here),
        [say(name) for name, holds in notes.items() if holds],
    )


def _steps_words(store: FarmStore, walk: KeptWalk, stops: Sequence[Stop], here: Stop) -> str:
    """How far it is from the stop before in the same row, else from which end of the row."""
    steps, tree = here.place.steps, here.tree
    before = next((stop.tree for stop in stops if stop.number == here.number - 1), None)
    # Trees that were added later start a second way: its first stop goes on from no other.
    same_row = before is not None and before.row == tree.row
    if before is not None and same_row and abs(tree.position - before.position) == steps:
        return say("walk.steps_on", n=steps)
    found = way_to(store, walk, tree)
    if found is None:
        return say("walk.steps_in", n=steps, end=say("walk.end_unknown"))
    end = say("walk.end_far" if found.far else "walk.end_near", tree=str(found.end))
    return say("walk.steps_in", n=found.steps, end=end)


def _go_on(stops: Sequence[Stop], here: Stop, *, good: bool) -> None:
    following = next_stop(stops, after=here.tree)
    if not here.done and (following is None or following.tree == here.tree):
        return
    words = say("walk.next" if here.done else "walk.later")
    if st.button(words, type="primary" if good else "secondary", width="stretch", key="go on"):
        if following is None:
            way.leave_tree()
        else:
            way.go_to(following.tree)
        st.rerun()

"""What is saved, and whether the walk is enough."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import session, show
from app.walk import look, way
from app.walk.photos import fault_of
from app.wording import percent, say
from fruitvision.advice import LEAST_TREES
from fruitvision.domain import Block, KeptWalk, TreePhoto
from fruitvision.pipeline.standing import NextWork, Todo, next_work
from fruitvision.pipeline.walking import add_counts, add_trees, measured_of
from fruitvision.store import FarmStore
from fruitvision.walk_data import FACES
from fruitvision.walk_progress import Stop

_TREES = (Todo.PHOTOGRAPH, Todo.PHOTOGRAPH_PANELS)
_COUNTS = (Todo.COUNT, Todo.COUNT_AGAIN, Todo.COUNT_FIRST)


def saved_words(stops: Sequence[Stop], pending: Sequence[TreePhoto]) -> str:
    """`All saved: 12 trees, 24 photos, 5 counts`, or how many photos are still being measured."""
    if pending:
        return say("walk.pending", n=len(pending))
    trees = sum(bool(stop.photos) or stop.nothing_to_see for stop in stops)
    photos = sum(len(stop.photos) for stop in stops)
    counts = sum(stop.counted is not None for stop in stops)
    return say(
        "walk.saved",
        trees=say("walk.saved_trees", n=trees),
        photos=say("walk.saved_photos", n=photos),
        counts=say("walk.saved_counts", n=counts),
    )


def all_done(store: FarmStore, walk: KeptWalk, stops: Sequence[Stop], block: Block) -> None:
    """No stop is left: photos that should be taken again, and whether it is enough."""
    look.good(say("walk.done_head"))
    for stop in stops:
        measured = measured_of(store, stop, session.settings())
        for face in FACES:
            taken = [photo for photo in stop.photos if photo.face == face]
            fault = fault_of(store, block, measured, taken)
            if fault is not None:
                tree = say("walk.of_face", row=str(stop.tree.row), tree=str(stop.tree.position))
                look.bad(f"{tree} {face}", say(f"walk.fault_{fault.value}"))
    advice(store, walk, stops, block)


def advice(store: FarmStore, walk: KeptWalk, stops: Sequence[Stop], block: Block) -> None:
    """Enough, or what to do next, with a button where the walk can go on at once; of a few trees
    nothing is told while there are stops to do."""
    left = sum(not stop.done for stop in stops)
    if left and sum(bool(stop.photos) for stop in stops) < LEAST_TREES:
        look.wait(say("walk.too_early"), say("walk.too_early_what", n=left))
        return
    walks = session.walks_of(block.block_id)
    if walks is None:
        look.wait(say("walk.not_yet"), say("walk.no_estimate"))
        return
    work = next_work(walks.advice, walks.estimate)
    words = say(f"walk.todo_{work.todo.value}", n=work.number)
    known = say("walk.range_now", percent=percent(walks.advice.half_range))
    if walks.advice.enough:
        look.good(say("walk.enough"), f"{known} {words}")
    else:
        look.wait(words, known)
    if session.may_change():
        with show.errors():
            _go_on(store, walk, work)


def _go_on(store: FarmStore, walk: KeptWalk, work: NextWork) -> None:
    if work.todo in _TREES and st.button(
        say("walk.add_trees", n=work.number), type="primary", width="stretch"
    ):
        add_trees(store, walk, work.number)
        way.leave_tree()
        st.rerun()
    if work.todo in _COUNTS and st.button(
        say("walk.add_counts", n=work.number), type="primary", width="stretch"
    ):
        add_counts(store, walk, work.number)
        way.leave_tree()
        st.rerun()


def help_to_open() -> None:
    """How a phone opens this page, what is on the phone alone, and cautions."""
    st.write(say("walk.help_open"))
    st.code("fruitvision app --farm FARM --address 0.0.0.0", language=None, wrap_lines=True)
    st.write(say("walk.help_open_then"))
    st.write(say("walk.help_caution"))
    st.write(say("walk.on_phone"))
    st.write(say("walk.help_safe"))

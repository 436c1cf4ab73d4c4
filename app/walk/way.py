"""Which block and stop are shown: kept in the page's address, so that a reload returns there."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import streamlit as st

from app.wording import say
from fruitvision.domain import Block, TreeId
from fruitvision.walk_progress import Stop, next_stop

BLOCK, ROW, TREE = "block", "row", "tree"


def block_here(blocks: Sequence[Block], busy: Collection[str]) -> Block:
    """The block of the address, else the first with a walk under way, else the first.

    Parameters
    ----------
    busy : collection of str
        Names of blocks with a walk under way.
    """
    names = [block.block_id for block in blocks]
    last = st.query_params.get(BLOCK, "")
    here = last if last in names else next((name for name in names if name in busy), names[0])
    if here != last:
        _go_to_block(here)
    return blocks[names.index(here)]


def choose_block(blocks: Sequence[Block], here: Block) -> None:
    """A list to choose another block."""
    names = [block.block_id for block in blocks]
    # A box of its own for each block: after the browser's way back it shows the block of the page.
    key = f"block {here.block_id}"
    # Without filter a phone opens no keyboard.
    st.selectbox(
        say("walk.block"),
        names,
        index=names.index(here.block_id),
        filter_mode=None,
        key=key,
        on_change=lambda: _go_to_block(st.session_state[key]),
    )


def _go_to_block(name: str) -> None:
    leave_tree()
    st.query_params[BLOCK] = name


def stop_here(stops: Sequence[Stop]) -> Stop | None:
    """The stop of the address, else the first that is not done; None if all are."""
    row, tree = st.query_params.get(ROW, ""), st.query_params.get(TREE, "")
    named = (stop for stop in stops if (f"{stop.tree.row}", f"{stop.tree.position}") == (row, tree))
    return next(named, None) or next_stop(stops)


def go_to(tree: TreeId) -> None:
    """Show this tree from now on."""
    st.query_params[ROW], st.query_params[TREE] = f"{tree.row}", f"{tree.position}"


def leave_tree() -> None:
    """Show the first stop that is not done."""
    for name in (ROW, TREE):
        st.query_params.pop(name, None)


def all_stops(stops: Sequence[Stop], to_redo: Collection[TreeId]) -> None:
    """A list of all stops with what is done, to go to any of them.

    Parameters
    ----------
    to_redo : collection of TreeId
        Trees of which a photo should be taken again.
    """
    chosen = st.selectbox(
        say("walk.all_stops"),
        stops,
        index=None,
        format_func=lambda stop: _stop_words(stop, again=stop.tree in to_redo),
        key=f"all stops {st.query_params.get(ROW)} {st.query_params.get(TREE)}",
        placeholder="",
        filter_mode=None,
    )
    if chosen is not None:
        go_to(chosen.tree)
        st.rerun()


def _stop_words(stop: Stop, *, again: bool) -> str:
    begun = bool(stop.photos) or stop.counted is not None
    words = "walk.stop_done" if stop.done else "walk.stop_partly" if begun else "walk.stop_open"
    if again:
        words = "walk.stop_again"
    return say(words, row=str(stop.tree.row), tree=str(stop.tree.position))

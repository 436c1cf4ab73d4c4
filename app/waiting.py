"""Hand counts that enter no number, in words: which, and what each waits for."""

from __future__ import annotations

import streamlit as st

from app import session, show
from app.wording import say
from fruitvision.domain import Block, HandCount
from fruitvision.hidden_pairs import HAND_COUNT_DAYS
from fruitvision.pipeline import BlockWalks
from fruitvision.pipeline.waiting import waiting_counts
from fruitvision.store import FarmStore
from fruitvision.waiting_counts import WaitingCount

# Counts that are named at once; more are a list that can be opened. Our choice.
MOST_NAMED = 4


def waiting_part(block: Block, store: FarmStore, walks: BlockWalks | None) -> None:
    """The counts of a block that are used nowhere, each with its reason; nothing without any."""
    found = waiting_counts(block.block_id, store, walks)
    if not found:
        return
    st.warning(say("blocks.waiting", n=len(found)), icon=":material/hourglass_empty:")
    lines = [f"- {show.plain(waiting_words(one))}" for one in found]
    st.markdown("\n".join(lines[:MOST_NAMED]))
    if lines[MOST_NAMED:]:
        with st.expander(say("blocks.waiting_more", n=len(lines) - MOST_NAMED)):
            st.markdown("\n".join(lines[MOST_NAMED:]))


def waiting_words(one: WaitingCount) -> str:
    """`Row 1, tree 9, 61 fruit counted on 3 Jun 2026: …` and why it is not used."""
    return say("blocks.waits_line", count=count_words(one.count), why=reason_words(one))


def count_words(count: HandCount) -> str:
    """`row 1, tree 9: 61 fruit counted on 3 Jun 2026, two faces`."""
    tree = say("blocks.tree_name", row=str(count.tree.row), tree=str(count.tree.position))
    protocol = say(f"forms.protocol_{count.protocol.name.lower()}")
    return say(
        "blocks.one_count", tree=tree, n=count.fruit_count, day=count.counted_on, protocol=protocol
    )


def reason_words(one: WaitingCount) -> str:
    """Why a count is used nowhere, and what would change that."""
    shown = one.photos_show
    return say(
        f"blocks.waits_{one.waits_for.value}",
        n=one.days_apart,
        day=one.photos_on or one.count.counted_on,
        most=HAND_COUNT_DAYS,
        shown=say(f"forms.protocol_{shown.name.lower()}") if shown else "",
    )


def all_that_wait(store: FarmStore) -> str:
    """How many counts of the farm enter no number; empty if all do."""
    names = [block.block_id for block in store.blocks()]
    n = sum(len(waiting_counts(name, store, session.walks_of(name))) for name in names)
    return say("forms.counts_wait", n=n) if n else ""

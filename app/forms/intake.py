"""Everything that comes in from the orchard and the office, one tab a kind."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app.forms.calipers import caliper_form
from app.forms.hand_work import hand_count_form, ruler_form
from app.forms.kept_counts import take_out_form
from app.forms.photos import tree_form, walk_form
from app.forms.references import reference_form
from app.papers.link import tables_link
from app.wording import say
from fruitvision.domain import Block
from fruitvision.store import FarmStore

# Names of the tabs among the texts, in their order.
TABS = ("one_tree", "a_walk", "hand_work", "calipers", "balls", "office", "ruler")


def intake(store: FarmStore, blocks: Sequence[Block]) -> bool:
    """Tabs for photos, hand work and tables of the blocks.

    Returns
    -------
    bool
        True while calipers are typed blind: the page shows no millimetres then.
    """
    one_tree, walk, hand_work, calipered, pointed, office, ruler = st.tabs(
        [say(f"forms.tab_{name}") for name in TABS]
    )
    with one_tree:
        tree_form(store, blocks)
    with walk:
        walk_form(store)
    with hand_work:
        hand_count_form(store, blocks)
        tables_link("hand_work")
        with st.expander(say("forms.kept_counts")):
            take_out_form(store, blocks)
    with calipered:
        blind = caliper_form(store, blocks)
    with pointed:
        reference_form(store, blocks)
    with office:
        tables_link("office")
    with ruler:
        ruler_form(store)
    return blind

"""The next walk through a block: drawn, shown, and to print."""

from __future__ import annotations

from functools import partial

import streamlit as st

from app import files, session, show, show_block
from fruitvision.domain import Block
from fruitvision.pipeline.plan import plan_next_walk
from fruitvision.store import FarmStore
from fruitvision.units import parse_counts
from fruitvision.walk_list import PAPERS, write_walk_list


def walk_plan(store: FarmStore, block: Block) -> None:
    """How many trees, then the list of stops and its PDF. The same day gives the same walk."""
    left, right = st.columns(2)
    trees = left.number_input("Trees to walk to", min_value=1, value=12, step=1)
    counts = right.number_input("Of these, to count by hand", min_value=0, value=5, step=1)
    rows = ""
    if not store.register(block.block_id):
        rows = st.text_input(
            "Positions of each row", placeholder="54, 54, 52", help="Not needed with a register."
        )
        if not rows:
            return
    with show.errors():
        plan = plan_next_walk(
            store,
            block.block_id,
            trees=int(trees),
            hand_counts=int(counts),
            row_lengths=parse_counts(rows, field="Positions of each row"),
            seed=session.today().toordinal(),
        )
        for column, paper in zip(st.columns(len(PAPERS)), PAPERS, strict=True):
            column.download_button(
                f"Walk list, {paper}",
                files.bytes_of(partial(write_walk_list, plan, paper=paper), "walk.pdf"),
                file_name=f"walk-{files.safe_name(block.block_id)}-{paper.lower()}.pdf",
                mime="application/pdf",
                icon=":material/download:",
                width="stretch",
            )
        show_block.stops(plan)

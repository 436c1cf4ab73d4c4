"""The next walk through a block: drawn, shown, and to print."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import streamlit as st

from app import files, session, show
from app.wording import number, say
from fruitvision.domain import Block, PlannedPlace, RegisteredTree, TreeKind, WalkPlan
from fruitvision.pipeline.plan import plan_next_walk, register_or_rows
from fruitvision.pipeline.walking import current_walk
from fruitvision.store import FarmStore
from fruitvision.units import parse_counts
from fruitvision.walk_list import PAPERS, write_walk_list


def walk_plan(store: FarmStore, block: Block) -> None:
    """The list of stops and its PDF: of the walk under way, else of one that is drawn now."""
    under_way = current_walk(store, block.block_id, session.today())
    if under_way is not None:
        stops = len(under_way.plan.places)
        st.write(say("blocks.plan_kept", day=under_way.drawn_on, n=stops))
        with show.errors():
            lengths = under_way.row_lengths
            _to_print(under_way.plan, register_or_rows(store, block.block_id, lengths))
        return
    _draw_one(store, block)


def _draw_one(store: FarmStore, block: Block) -> None:
    """How many trees, then the walk. The same day gives the same walk."""
    left, right = st.columns(2)
    trees = left.number_input(say("blocks.plan_trees"), value=12, step=1)
    counts = right.number_input(say("blocks.plan_counts"), value=5, step=1)
    rows = ""
    if not store.register(block.block_id):
        rows = st.text_input(
            say("blocks.plan_rows"), placeholder="54, 54, 52", help=say("blocks.plan_rows_help")
        )
        if not rows:
            return
    with show.errors():
        lengths = parse_counts(rows, field=say("blocks.plan_rows"))
        plan = plan_next_walk(
            store,
            block.block_id,
            trees=int(trees),
            hand_counts=int(counts),
            row_lengths=lengths,
            seed=session.today().toordinal(),
        )
        _to_print(plan, register_or_rows(store, block.block_id, lengths))


def _to_print(plan: WalkPlan, register: Sequence[RegisteredTree]) -> None:
    for column, paper in zip(st.columns(len(PAPERS)), PAPERS, strict=True):
        column.download_button(
            say("blocks.plan_list", paper=paper),
            files.bytes_of(
                partial(write_walk_list, plan, register=register, paper=paper), "walk.pdf"
            ),
            file_name=f"walk-{files.safe_name(plan.block_id)}-{paper.lower()}.pdf",
            mime="application/pdf",
            icon=":material/download:",
            width="stretch",
        )
    show.not_printed([plan.block_id, *(place.stratum for place in plan.places)])
    _stops(plan)


def _stops(plan: WalkPlan) -> None:
    """The stops of a walk in the order of the way."""
    show.table(
        [
            {
                say("blocks.plan_stop"): number(stop),
                say("blocks.plan_row"): number(place.tree.row),
                say("blocks.plan_tree"): number(place.tree.position),
                say("blocks.plan_on"): number(place.steps),
                say("blocks.plan_note"): _stop_words(place),
            }
            for stop, place in enumerate(plan.places, start=1)
        ]
    )


def _stop_words(place: PlannedPlace) -> str:
    words = [
        place.stratum,
        say("blocks.plan_count") if place.count_by_hand else "",
        say("blocks.plan_repeat") if place.repeat else "",
        say("blocks.plan_gap") if place.kind is TreeKind.MISSING else "",
        say("blocks.plan_young") if place.kind is TreeKind.REPLANT else "",
    ]
    return ", ".join(word for word in words if word)

"""One block: everything that is known of it."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import session, show
from app.blocks import data, hidden, now, register, sizes, words
from app.blocks.thinning import thinning_part
from app.forms.hand_work import measure_again
from app.forms.plan import walk_plan
from app.since import since_part
from app.waiting import waiting_part
from app.wording import say
from fruitvision.pipeline import BlockWalks
from fruitvision.pipeline.calipers import block_checks
from fruitvision.pipeline.lines import PlacedPhoto, placed_photos, tree_lines
from fruitvision.pipeline.standing import BlockStanding, Todo
from fruitvision.store import FarmStore


def one_block(name: str, stands: Sequence[BlockStanding], store: FarmStore) -> None:
    """The way back to all blocks, another block to choose, and this one."""
    _ways([one.block.block_id for one in stands], name)
    standing = next(one for one in stands if one.block.block_id == name)
    st.title(show.plain(name))
    photos = placed_photos(name, store, session.settings())
    if standing.work.todo is not Todo.WAIT:
        _measure_box(photos, store)
    if standing.walks is None:
        st.markdown(f"**{words.todo(standing)}**")
        if standing.work.todo is Todo.WALK:
            st.write(say("blocks.first_walk"))
        st.write(show.plain(words.refused(standing)))
        waiting_part(standing.block, store, None)
        register.plan_of_rows(standing.block, None, store)
    else:
        _walked(standing, standing.walks, photos, store)
    with st.expander(say("blocks.plan")):
        walk_plan(store, standing.block)
    session.page_link(
        "screens/forecast.py", label=say("blocks.forecast_pick"), icon=":material/arrow_forward:"
    )


def _ways(names: Sequence[str], name: str) -> None:
    # A box of its own for each block: after the browser's way back it shows the block of the page.
    key = f"block {name}"

    def go() -> None:
        data.choose(st.session_state[key])

    left, right = st.columns([1, 2], vertical_alignment="bottom")
    if left.button(say("blocks.all"), icon=":material/arrow_back:", width="stretch"):
        data.choose(None)
        st.rerun()
    in_order = sorted(names)
    right.selectbox(
        say("blocks.column_block"), in_order, index=in_order.index(name), key=key, on_change=go
    )


def _measure_box(photos: Sequence[PlacedPhoto], store: FarmStore) -> None:
    if any(photo.measured is None for photo in photos):
        st.write(say("blocks.unmeasured"))
        if st.button(say("blocks.measure_now")):
            with show.errors():
                measure_again(store)


def _walked(
    standing: BlockStanding, walks: BlockWalks, photos: Sequence[PlacedPhoto], store: FarmStore
) -> None:
    name, estimate, units = standing.block.block_id, walks.estimate, session.units()
    trees = tree_lines(name, store, photos)
    if standing.crop is not None and (made := data.forecast()) is not None:
        since_part(made, name, only_bins=True)
    now.headline(standing, walks)
    now.targets(standing, walks)
    thinning_part(standing, store)
    if standing.trust is not None:
        now.trust(standing.trust)
    now.next_step(walks)
    odd = [one for one in data.attention() if one.block_id == name]
    if odd:
        now.standing_out(odd)
    register.plan_of_rows(standing.block, walks, store)
    register.register(walks, units)
    sizes.sizes(estimate)
    sizes.calipers(block_checks(name, store, session.settings()), estimate.walked_on)
    hidden.hidden_fruit(estimate, trees)
    waiting_part(standing.block, store, walks)
    hidden.trees_table(trees, units.diameter)

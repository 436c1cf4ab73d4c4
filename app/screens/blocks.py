"""What a block holds today: fruit per tree, hidden fruit, sizes, growth."""

from collections.abc import Sequence
from datetime import date

import streamlit as st

from app import charts, session, show, show_block, show_crop
from app.forms.hand_work import measure_again
from app.forms.plan import walk_plan
from fruitvision.domain import BlockEstimate
from fruitvision.hidden_factor import factor_words
from fruitvision.pipeline import BlockWalks, attention_of
from fruitvision.pipeline.calipers import WalkCheck, block_checks
from fruitvision.pipeline.lines import (
    TreeLine,
    class_limits_mm,
    placed_photos,
    tenths_mm,
    tree_lines,
)
from fruitvision.report.calipers import check_words
from fruitvision.size_shares import class_shares


def headline(walk: BlockWalks) -> None:
    now, growth = walk.estimate, walk.growth
    show.numbers(
        [
            show.estimate("Fruit per tree", now.fruit_per_tree),
            show.estimate("Fruit in the block", now.fruit_total),
            show_crop.factor(now.factor),
            (
                "Trees photographed",
                f"{now.trees_seen}",
                f"of {walk.check.register_trees:,.0f} bearing",
            ),
        ]
    )
    st.caption(
        f"Walk of {show.day(now.walked_on)}. Below each number its range: 8 of 10 times the "
        "truth lies in it."
    )
    show.doubts(now.doubts)
    st.write(show_crop.growth_sentence(growth, session.units()))
    show.doubts(growth.doubts)


def sizes(now: BlockEstimate) -> None:
    st.subheader("Sizes today")
    if now.sizes is None:
        st.write("No fruit could be sized: hang the marker in view and photograph again.")
        return
    table = session.choose_size_table()
    unit = session.units().diameter
    low, mid, high = (show.diameter(mm, unit) for mm in tenths_mm(now.sizes))
    st.write(
        f"One fruit in ten is below **{low}**, half are below **{mid}**, one in ten is above "
        f"**{high}** ({now.sizes.fruit} fruit of {now.sizes.trees} trees)."
    )
    limits = class_limits_mm(table, session.settings())
    st.altair_chart(charts.sizes(now.sizes, limits, unit), width="stretch")
    show_block.class_shares(class_shares(now.sizes, limits, seed=session.settings().seed))


def calipers(found: Sequence[WalkCheck], walked_on: date) -> None:
    """Photos against calipers, where fruit of this walk were calipered."""
    for one in (item for item in found if item.walked_on == walked_on):
        st.subheader("Photos against calipers")
        for sentence in check_words(one.check):
            st.write(show.plain(sentence))
        if one.pairs:
            st.write("One dot a fruit; broken line: equal sizes; full line: the fit.")
            chart = charts.photo_against_caliper(one.pairs, one.check, session.units().diameter)
            st.altair_chart(chart, width="stretch")
        show.refused(one.unmatched)


def hidden_fruit(now: BlockEstimate, trees: tuple[TreeLine, ...]) -> None:
    if now.factor is not None:
        st.subheader("Hand counts")
        st.write("One dot a tree; the dashed line is the hidden-fruit factor.")
        st.altair_chart(charts.hand_against_visible(trees, now.factor), width="stretch")
        for sentence in factor_words(now.factor, now.walked_on):
            st.write(show.plain(sentence))


store = session.farm()
blocks = store.blocks()
st.title("Block")
show.note(*session.said())
if not blocks:
    st.write("No block yet.")
    st.page_link("screens/setup.py", label="Add a block", icon=":material/arrow_back:")
    st.stop()
block = session.choose_block(blocks)
photos = placed_photos(block.block_id, store, session.settings())
if any(photo.measured is None for photo in photos):
    st.write("Some photos are not measured with the present settings.")
    if st.button("Measure them now"):
        with show.errors():
            measure_again(store)
walks, refused = session.walks()
show.refused([item for item in refused if item.name == block.block_id])
for found in (walk for walk in walks if walk.estimate.block == block):
    trees = tree_lines(block.block_id, store, photos)
    headline(found)
    show_block.next_step(found)
    odd = attention_of(walks, session.settings())
    show_block.standing_out([one for one in odd if one.block_id == block.block_id])
    show_block.register(found, session.units())
    sizes(found.estimate)
    calipers(block_checks(block.block_id, store, session.settings()), found.estimate.walked_on)
    hidden_fruit(found.estimate, trees)
    st.subheader("Trees")
    show_crop.trees(trees, session.units().diameter)
with st.expander("Plan the next walk"):
    walk_plan(store, block)
st.page_link("screens/forecast.py", label="Forecast the pick", icon=":material/arrow_forward:")

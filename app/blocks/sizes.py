"""Sizes of one block today, and its photos against calipers."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import streamlit as st

from app import charts, session, show
from app.show_chart import show_chart
from app.wording import measure, number, percent, say, sentence
from fruitvision.domain import BlockEstimate
from fruitvision.pipeline.calipers import WalkCheck
from fruitvision.pipeline.lines import class_limits_mm, tenths_mm
from fruitvision.report.calipers import check_words
from fruitvision.size_shares import ClassShare, class_shares


def sizes(now: BlockEstimate) -> None:
    """The distribution of the diameters, and the share of each class of a size table."""
    st.subheader(say("blocks.sizes"))
    if now.sizes is None:
        st.write(say("blocks.sizes_none"))
        return
    table = session.choose_size_table()
    unit = session.units().diameter
    low, mid, high = (measure(mm, unit) for mm in tenths_mm(now.sizes))
    st.write(
        say(
            "blocks.sizes_sentence",
            low=low,
            mid=mid,
            high=high,
            fruit=now.sizes.fruit,
            trees=now.sizes.trees,
        )
    )
    limits = class_limits_mm(table, session.settings())
    show_chart(charts.sizes(now.sizes, limits, unit))
    _shares(class_shares(now.sizes, limits, seed=session.settings().seed))


def _shares(shares: Sequence[ClassShare]) -> None:
    """Share of the fruit in each class today, with its range."""
    with st.expander(say("blocks.shares")):
        show.table(
            [
                {
                    say("blocks.shares_class"): one.name,
                    say("blocks.shares_share"): percent(one.share.p50, 1),
                    say("blocks.shares_range"): f"{number(100 * one.share.p10, 1)}–"
                    f"{percent(one.share.p90, 1)}",
                }
                for one in shares
            ]
        )


def calipers(found: Sequence[WalkCheck], walked_on: date) -> None:
    """Photos against calipers, where fruit of this walk were calipered."""
    for one in (item for item in found if item.walked_on == walked_on):
        st.subheader(say("blocks.calipers"))
        for text in check_words(one.check):
            st.write(show.plain(sentence(text)))
        if one.pairs:
            st.write(say("blocks.calipers_chart"))
            chart = charts.photo_against_caliper(one.pairs, one.check, session.units().diameter)
            show_chart(chart)
        show.refused(one.unmatched)

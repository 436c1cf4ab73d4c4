"""Cold rooms and empty bins of a harvest: what goes where, and what is too much."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

import streamlit as st

from app import charts_harvest, show
from app.charts_forecast import amount, day_words, range_of
from app.show_chart import show_chart
from app.wording import number, percent, say
from fruitvision.domain import UseQuantiles
from fruitvision.harvest import BinPlace, BinStock, RoomDay, RoomPlan, RoomUse

# Days on which rooms take too little that are listed. Our choice: a screen of a phone.
LISTED_DAYS = 14
# Lines of bins to place that are listed; the rest is in the CSV. Our choice: two screens.
LISTED_PLACES = 30


def room_plan(plan: RoomPlan | None) -> None:
    """Rooms with what they hold at the end, then the days on which there is more than they take."""
    if plan is None:
        st.write(say("harvest.no_rooms"))
        return
    over = [one for one in plan.days if one.bins_over]
    if over:
        st.warning(say("harvest.rooms_over", n=len({one.day for one in over})))
    elif plan.days:
        st.success(say("harvest.rooms_enough"))
    if plan.rooms:
        show_chart(charts_harvest.rooms(plan.rooms))
        st.caption(say("harvest.rooms_help"))
        show.table([_room_line(one) for one in plan.rooms])
    if over:
        show.table([_over_line(one) for one in over[:LISTED_DAYS]])
        more = len(over) - LISTED_DAYS
        if more > 0:
            st.caption(say("harvest.more_days", n=more))
    if plan.spare:
        st.caption(say("harvest.spare", rooms=show.plain(", ".join(plan.spare))))
    st.caption(say("harvest.rooms_caution"))


def _room_line(one: RoomUse) -> dict[str, str]:
    full = day_words(one.full_on) if one.full_on is not None else "–"
    return {
        say("harvest.room"): say(
            "harvest.room_from",
            room=one.room.name,
            variety=one.variety,
            day=day_words(one.first_day),
        ),
        say("sales.bins"): range_of(one.fill),
        say("harvest.holds"): number(one.room.bins),
        say("harvest.full_on"): full,
    }


def _over_line(one: RoomDay) -> dict[str, str]:
    takes = amount(one.takes)
    if not one.rooms:
        takes = say("harvest.no_room_free")
    elif one.full:
        takes = say("harvest.rooms_full")
    return {
        say("sales.day_column"): say(
            "harvest.day_and_variety", day=day_words(one.day), variety=one.variety
        ),
        say("harvest.arriving"): range_of(one.arriving),
        say("harvest.takes"): takes,
        say("harvest.over"): f"▲ {range_of(one.over)}",
    }


def empty_bins(stock: BinStock | None, quantiles: UseQuantiles) -> None:
    """The most bins out at once, bins out day by day, and where how many go when."""
    if stock is None:
        st.write(say("sales.nothing_planned"))
        return
    show.numbers(
        [
            show.estimate(say("harvest.peak"), stock.peak),
            (
                say("harvest.to_have"),
                number(ceil(stock.to_have)),
                say("harvest.to_have_below", percent=percent(quantiles.bins)),
            ),
            (say("harvest.peak_day"), day_words(stock.peak_day), ""),
        ]
    )
    show_chart(charts_harvest.bins_out(stock.days))
    st.caption(say("harvest.bins_assumed", ahead=stock.ahead_days, waiting=stock.waiting_days))
    _places(stock.places)


def _places(places: Sequence[BinPlace]) -> None:
    show.table(
        [
            {
                say("harvest.place_on"): day_words(one.place_on),
                say("sales.pass_column"): one.block_id,
                say("harvest.for_day"): day_words(one.day),
                say("sales.bins"): number(one.bins),
            }
            for one in places[:LISTED_PLACES]
        ]
    )
    more = len(places) - LISTED_PLACES
    if more > 0:
        st.caption(say("harvest.more_places", n=more))

"""The calendar of bins and pickers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from html import escape
from math import ceil

import streamlit as st

from app import charts_forecast, drawn, session, show
from app.charts_forecast import amount, day_words, days_words, pass_words, range_of
from app.forms.crew import crew_form
from app.forms.rooms import rooms_form
from app.sales.calendar_files import calendar_files
from app.sales.margins import margins
from app.sales.moves import moves, try_out_line
from app.sales.picked import picked
from app.sales.rooms import empty_bins, room_plan
from app.show_chart import show_chart
from app.wording import number, percent, say, week
from fruitvision.domain import Forecast, PickPlan
from fruitvision.forecast.picks import monday_of
from fruitvision.harvest import HarvestCalendar, HarvestDay, PassPlan
from fruitvision.pipeline.harvest_plan import read_harvest
from fruitvision.store import FarmStore

# Anchor of the heading, for links to it.
BINS = "bins"
# A farm with more passes starts with one week. Our choice: a screen of a phone.
MOST_PASSES = 20
# Blocks of a day that are named. Our choice: three lines of a phone.
NAMED_BLOCKS = 3
# Days with too few pickers or bins that are named. Our choice: a week.
NAMED_DAYS = 6


def harvest(forecast: Forecast, store: FarmStore) -> None:
    """Crew and bins, then which block when, each day, and the table as CSV.

    Raises
    ------
    ForecastError
        If the forecast can't be drawn again.
    """
    st.header(say("sales.harvest_head"), anchor=BINS)
    record = read_harvest(store, forecast)
    tried: Mapping[str, PickPlan] = {}
    if session.plans_harvest():
        with st.expander(say("sales.crew_head")):
            crew_form(store)
        with st.expander(say("harvest.moves_head")):
            tried = moves(forecast, record.plans, store)
    else:
        st.caption(say("harvest.only_look"))
    if tried:
        try_out_line(tried)
    now = drawn.harvest(forecast, replace(record, plans={**record.plans, **tried}))
    calendar = now.calendar
    _since(calendar, tried)
    _totals(calendar)
    _caution()
    with st.expander(say("harvest.picked_head")):
        planned = [
            (name, index, len(plan.picks))
            for name, plan in record.plans.items()
            for index in range(1, len(plan.picks) + 1)
        ]
        picked(now.update, planned, record.finished, forecast, store)
    with st.expander(say("harvest.rooms_head")):
        room_plan(calendar.rooms)
        if session.plans_harvest():
            rooms_form(store, list(dict.fromkeys(one.variety for one in forecast.varieties)))
    with st.expander(say("harvest.bins_head")):
        empty_bins(calendar.stock, calendar.quantiles)
    with st.expander(say("harvest.margins_head")):
        margins(forecast, replace(record, plans={**record.plans, **tried}), store)
    if calendar.unknown:
        st.warning(say("sales.unknown", blocks=show.plain(", ".join(calendar.unknown))))
    if not calendar.days:
        st.write(say("harvest.all_picked" if calendar.picked_bins else "sales.nothing_planned"))
        return
    _short(calendar)
    st.subheader(say("sales.calendar"))
    passes, days = _of_week(calendar, _choose_week(calendar))
    show_chart(charts_forecast.calendar(passes))
    _passes(passes)
    st.subheader(say("sales.days_head"))
    show_chart(charts_forecast.pickers(days, calendar.crew))
    st.caption(say("forecast.bars_help"))
    _days(days)
    st.caption(f"{say('harvest.crew_help')} {say('sales.spread')}")
    calendar_files(calendar, forecast, store, is_tried=bool(tried))


def _since(calendar: HarvestCalendar, tried: Mapping[str, PickPlan]) -> None:
    """That the calendar is that of other passes than the forecast's, and of the rest only."""
    moved = [name for name in calendar.moved if name not in tried]
    if moved:
        st.info(say("harvest.moved_since", blocks=show.plain(", ".join(moved))))
    if calendar.picked_bins:
        st.info(say("harvest.rest_only", picked=amount(calendar.picked_bins)))


def _totals(calendar: HarvestCalendar) -> None:
    need = calendar.total
    if need is None:
        return
    chance = percent(calendar.quantiles.bins)
    planned = percent(calendar.quantiles.labour)
    show.numbers(
        [
            show.estimate(say("sales.bins"), need.bins),
            (
                say("sales.order"),
                number(ceil(need.bins_to_order)),
                say("sales.order_below", percent=chance),
            ),
            show.estimate(say("sales.picker_days"), need.picker_days),
            (
                say("sales.plan"),
                number(ceil(need.pickers_planned)),
                say("sales.plan_below", percent=planned),
            ),
            (
                say("harvest.overtime"),
                number(ceil(need.pickers_overtime)),
                say("sales.plan_below", percent=percent(calendar.overtime_quantile)),
            ),
        ]
    )


def _caution() -> None:
    words = escape(say("sales.crew_caution"))
    st.markdown(f'<div class="fv-caution" role="note">{words}</div>', unsafe_allow_html=True)


def _short(calendar: HarvestCalendar) -> None:
    """On which days crew, bins or rooms are too few; nothing where the farm set none of them."""
    rooms = calendar.rooms is not None
    if not calendar.crew and not calendar.bins_on_hand and not rooms:
        return
    short = [day_words(one.day) for one in calendar.short_days]
    words = {"n": len(short), "days": _some(short, NAMED_DAYS)} if short else {}
    if short:
        st.warning(say("harvest.days_short" if rooms else "sales.days_short", **words))
    else:
        st.success(say("harvest.none_short" if rooms else "sales.none_short"))


def _passes(passes: Sequence[PassPlan]) -> None:
    show.table(
        [
            {
                say("sales.pass_column"): say(
                    "sales.pass_and_days",
                    block=pass_words(one),
                    days=days_words(one.first_day, one.last_day),
                ),
                say("sales.bins"): range_of(one.need.bins),
                say("sales.order_column"): number(ceil(one.need.bins_to_order)),
                say("sales.picker_days_column"): range_of(one.need.picker_days),
            }
            for one in passes
        ]
    )


def _choose_week(calendar: HarvestCalendar) -> date | None:
    """The week that is looked at; None for all of them, which a small farm starts with."""
    mondays = sorted({monday_of(one.day) for one in calendar.days})
    if len(mondays) == 1:
        return None
    this_week = monday_of(session.today())
    start = this_week if this_week in mondays else mondays[0]
    choices: list[date | None] = [None, *mondays]
    few = len(calendar.passes) <= MOST_PASSES
    return st.selectbox(
        say("sales.week"),
        choices,
        index=0 if few else choices.index(start),
        format_func=_week_words,
    )


def _of_week(
    calendar: HarvestCalendar, monday: date | None
) -> tuple[Sequence[PassPlan], Sequence[HarvestDay]]:
    """Passes with a day in a week, and the days of it."""
    if monday is None:
        return calendar.passes, calendar.days
    sunday = monday + timedelta(days=6)
    passes = [p for p in calendar.passes if p.first_day <= sunday and p.last_day >= monday]
    return passes, [one for one in calendar.days if monday <= one.day <= sunday]


def _week_words(monday: date | None) -> str:
    return say("sales.every_week") if monday is None else week(monday)


def _days(days: Sequence[HarvestDay]) -> None:
    show.table(
        [
            {
                say("sales.day_column"): day_words(one.day),
                say("sales.pass_column"): _some(list(dict.fromkeys(one.blocks)), NAMED_BLOCKS),
                say("sales.bins"): range_of(one.need.bins),
                say("sales.pickers_column"): _with_mark(_pickers(one), one),
            }
            for one in days
        ]
    )


def _some(names: Sequence[str], most: int) -> str:
    """Names in a row, those beyond `most` by number only."""
    if len(names) <= most:
        return ", ".join(names)
    return say("sales.and_more", names=", ".join(names[: most - 1]), n=len(names) - most + 1)


def _pickers(one: HarvestDay) -> str:
    return say(
        "harvest.pickers_and_plan",
        pickers=range_of(one.need.picker_days),
        crew=ceil(one.need.pickers_planned),
        overtime=ceil(one.need.pickers_overtime),
    )


def _with_mark(text: str, one: HarvestDay) -> str:
    """A range, and behind it what is short on that day."""
    pickers = say("sales.short_pickers", n=one.pickers_short)
    bins = say("sales.short_bins", n=one.bins_short)
    if one.pickers_short and one.bins_short:
        text = f"{text} {say('sales.short_both', pickers=pickers, bins=bins)}"
    elif one.pickers_short or one.bins_short:
        text = f"{text} {say('sales.short', what=pickers if one.pickers_short else bins)}"
    if one.rooms_over:
        text = f"{text} {say('harvest.short_rooms', n=one.rooms_over)}"
    return text

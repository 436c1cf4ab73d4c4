"""The order book against the version that sales works with."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from html import escape
from math import floor

import streamlit as st

from app import show
from app.charts_forecast import class_words, week_name
from app.chosen import in_address
from app.drawn import KEPT
from app.papers.flow import table_flow
from app.sales.promises import LEAST_CARTONS, LOOK
from app.wording import number, say, sentence, signed, week
from fruitvision.domain import CropForecast, Forecast, OrderLine
from fruitvision.orders import CheckedLine, CheckedOrders, OrderCell, Taken, check_orders
from fruitvision.store import FarmStore

# Oversold classes that are named. Our choice: a screen of a phone.
NAMED = 6
# Anchor of the heading, for links to it.
ORDERS = "orders"


def order_book(forecast: Forecast, crop: CropForecast, store: FarmStore) -> None:
    """What is sold, left and oversold; what may yet be promised of one variety; a box to load.

    Raises
    ------
    ForecastError
        If the forecast did not keep its size table.
    """
    st.header(say("sales.orders_head"), anchor=ORDERS)
    orders = store.order_book()
    if orders:
        checked = _checked(f"{forecast.forecast_id} {orders}", forecast, orders)
        _oversold(checked)
        _only_by_class(forecast, checked)
        _week_table([cell for cell in checked.cells if cell.variety == crop.variety], crop)
        _short(checked.lines)
        st.caption(say("sales.orders_rules"))
    else:
        st.write(say("sales.no_orders"))
    with st.expander(say("sales.orders_load"), expanded=not orders):
        st.write(say("sales.orders_table"))
        table_flow(store, only="orders")


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _checked(key: str, _forecast: Forecast, _orders: Sequence[OrderLine]) -> CheckedOrders:
    return check_orders(_forecast, _orders)


def sold_of(safe: int | None, firm_part: Forecast, orders: Sequence[OrderLine]) -> None:
    """On top, beside what is safe of the whole farm: what the order book takes of it.

    Parameters
    ----------
    safe : int or None
        Cartons that may be promised before any order; None of what is not promised at all.
    firm_part : Forecast
        What may be promised by class and week.

    Raises
    ------
    ForecastError
        If the forecast did not keep its size table.
    """
    if not orders:
        return
    known = {crop.variety for crop in firm_part.varieties}
    told = [one for one in orders if one.variety in known]
    firm = sum(one.cartons for one in told if one.firm)
    option = sum(one.cartons for one in told if not one.firm)
    checked = _checked(f"{firm_part.forecast_id} {orders}", firm_part, orders)
    left = (safe or 0) - firm
    words = say(
        "sales.sold_on_top", firm=number(firm), option=number(option), left=_signed_left(left)
    )
    short = any(one.short_p10 for one in checked.lines)
    if left < 0 or short:
        where = f"[{say('sales.orders_head')}](#{ORDERS})"
        st.warning(f"{words} {say('sales.short_on_top', where=where)}" if short else words)
    else:
        st.info(words)


def _signed_left(left: int) -> str:
    return signed(left) if left < 0 else number(left)


def _only_by_class(forecast: Forecast, checked: CheckedOrders) -> None:
    """Of varieties that are oversold by class or week, and not as a whole: that they are so."""
    short = {one.order.variety for one in checked.lines if one.short_p10}
    for crop in forecast.varieties:
        if crop.variety not in short or crop.cartons is None:
            continue
        ordered = sum(
            one.order.cartons for one in checked.lines if one.order.variety == crop.variety
        )
        there = floor(crop.cartons.p10)
        if ordered <= there:
            st.info(
                say(
                    "sales.only_by_class",
                    variety=show.plain(crop.variety),
                    ordered=number(ordered),
                    there=number(there),
                )
            )


def _oversold(checked: CheckedOrders) -> None:
    """Each class and week that is oversold at P10, up to `NAMED` of them."""
    found = checked.oversold
    if not found:
        short = any(one.short_p10 for one in checked.lines)
        st.success(say("sales.no_class_short" if short else "sales.none_oversold"))
        return
    lines = [
        say(
            "sales.oversold_line",
            variety=show.plain(one.variety),
            week=week_name(one.week),
            size_class=show.plain(class_words(one.size_class)),
            p10=signed(one.p10.left),
            p50=signed(one.p50.left),
        )
        for one in found[:NAMED]
    ]
    more = len(found) - NAMED
    lines += [say("sales.oversold_more", n=more)] * (more > 0)
    head = say("sales.oversold", n=len(found))
    # Two spaces end a line within a paragraph.
    st.warning("  \n".join((f"**{head}**", *lines)))


def _week_table(cells: Sequence[OrderCell], crop: CropForecast) -> None:
    """The classes of one week, large fruit first."""
    told = [
        cell
        for cell in cells
        if cell.cartons.p90 >= LEAST_CARTONS or cell.p10.sold or cell.p50.sold
    ]
    if not told:
        return
    st.subheader(say("sales.orders_of", variety=show.plain(crop.variety)))
    mondays = sorted({cell.week for cell in told})
    chosen = in_address(
        say("sales.orders_week"), mondays, name="order_week", words=week, start=_start(told)
    )
    shown = [cell for cell in reversed(told) if cell.week == chosen]
    of_several = sum(cell.p10.of_several for cell in shown)
    lines = [_line(cell, apart=of_several > 0) for cell in shown]
    sold = ("sold_class", "sold_any") if of_several else ("sold",)
    heads = ("class", *sold, "left_p10", "left_p50", "still_safe")
    head = "".join(f'<th scope="col">{escape(say(f"sales.{one}"))}</th>' for one in heads)
    st.html(LOOK)
    st.markdown(
        f'<table class="fv-sales"><thead><tr>{head}</tr></thead><tbody>{"".join(lines)}</tbody>'
        "</table>",
        unsafe_allow_html=True,
    )
    if of_several:
        st.caption(say("sales.sold_any_why", n=of_several))


def _start(cells: Sequence[OrderCell]) -> date:
    """The first week that is oversold, else the first with orders, else the first."""
    oversold = [cell for cell in cells if cell.p10.left < 0]
    sold = [cell for cell in cells if cell.p10.sold]
    return (oversold or sold or list(cells))[0].week


def _line(cell: OrderCell, *, apart: bool) -> str:
    """A class; `apart`: what is sold to orders over several classes in a column of its own."""
    name = escape(class_words(cell.size_class))
    of_several = cell.p10.of_several
    sold = (cell.p10.sold - of_several, of_several) if apart else (cell.p10.sold,)
    told = "".join(f"<td>{escape(number(one))}</td>" for one in sold)
    return (
        f'<tr class="line"><th scope="row">{name}</th>{told}'
        f"<td>{escape(_left(cell.p10))}</td><td>{escape(_left(cell.p50))}</td>"
        f'<td class="safe">{escape(number(cell.safe))}</td></tr>'
    )


def _left(taken: Taken) -> str:
    if taken.left < 0:
        return say("sales.left_oversold", left=signed(taken.left))
    return number(taken.left)


def _short(lines: Sequence[CheckedLine]) -> None:
    short = [one for one in lines if one.short_p10 or one.short_p50]
    if not short:
        return
    st.markdown(f"**{say('sales.orders_short')}**")
    show.table([_short_row(one) for one in short])


def _short_row(one: CheckedLine) -> dict[str, str]:
    order = one.order
    kind = say("sales.firm" if order.firm else "sales.option")
    what = " ".join(filter(None, (order.variety, order.grade, class_words(order.classes))))
    told = say(
        "sales.order_words",
        customer=order.customer,
        what=what,
        week=week_name(order.week),
        kind=kind,
    )
    return {
        say("sales.order_line"): " ".join(filter(None, (told, sentence(one.why)))),
        say("sales.ordered"): number(order.cartons),
        say("sales.short_p10"): number(one.short_p10),
        say("sales.short_p50"): number(one.short_p50),
    }

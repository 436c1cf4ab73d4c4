"""Which version sales works with, and how that is said."""

from __future__ import annotations

import streamlit as st

from app import session, show
from app.chosen import in_address
from app.show_crop import size_table_words
from app.wording import day, moment, say
from fruitvision.domain import Forecast, FrozenForecast
from fruitvision.pipeline.sales import SoldFrom, sold_from
from fruitvision.store import FarmStore

# The number of an older frozen version in the address of the page.
VERSION_IN_ADDRESS = "frozen"


def choose_version(store: FarmStore) -> SoldFrom | None:
    """The frozen version in the address or the box, else the latest; None without a forecast."""
    forecasts = {one.forecast_id: one for one in store.forecasts()}
    frozen = [one for one in store.frozen_forecasts() if one.forecast_id in forecasts]
    if len(frozen) <= 1:
        return sold_from(store)
    numbers = {one.number: one for one in reversed(frozen)}
    chosen = in_address(
        say("sales.version"),
        list(numbers),
        name=VERSION_IN_ADDRESS,
        words=lambda number: _choice(numbers[number], forecasts),
    )
    if chosen != frozen[-1].number:
        st.warning(say("sales.older"), icon=":material/history:")
    else:
        # A bookmark of the latest version is to show the one that is frozen next.
        st.query_params.pop(VERSION_IN_ADDRESS, None)
    return sold_from(store, chosen)


def _choice(frozen: FrozenForecast, forecasts: dict[str, Forecast]) -> str:
    return say(
        "sales.version_choice",
        when=moment(frozen.frozen_at),
        number=forecasts[frozen.forecast_id].number,
        who=frozen.frozen_by,
    )


def version_line(sold: SoldFrom) -> None:
    """Who froze it and when; loudly if nobody did; and whether a newer one waits."""
    forecast, frozen = sold.forecast, sold.frozen
    if frozen is None:
        words = say("sales.not_frozen", number=forecast.number, made_on=day(forecast.made_on))
        st.error(f"**{words}**", icon=":material/lock_open:")
        session.page_link("screens/forecast.py", label=say("sales.freeze_now"))
        return
    st.markdown(
        say(
            "sales.frozen",
            number=forecast.number,
            made_on=day(forecast.made_on),
            who=show.plain(frozen.frozen_by),
            when=moment(frozen.frozen_at),
            size_table=show.plain(size_table_words(forecast.size_table)),
        )
    )
    if frozen.note:
        st.caption(say("sales.frozen_note", note=show.plain(frozen.note)))
    if sold.newer is not None:
        made_on = day(sold.newer.made_on)
        st.info(
            say("sales.newer", number=sold.newer.number, made_on=made_on), icon=":material/update:"
        )

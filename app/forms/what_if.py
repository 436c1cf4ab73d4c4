"""What if it is dry or wet, or picked on other days: beside the forecast of record."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import charts_forecast, session, show, show_crop
from app.show_chart import show_chart
from app.wording import number, say, sentence
from fruitvision.domain import Forecast, SizeTable
from fruitvision.forecast.growth import Weather
from fruitvision.pipeline import Choices, forecast_farm
from fruitvision.store import FarmStore

# Days by which a what-if may move the picks. Our choice: farther is another plan.
FARTHEST_DAYS = 14


def what_if(store: FarmStore, table: SizeTable) -> None:
    """Other weather or other pick dates: drawn, shown, not kept."""
    left, right = st.columns(2)
    weather = left.radio(
        say("forecast.weather"),
        list(Weather),
        index=1,
        horizontal=True,
        format_func=lambda one: say(f"forecast.weather_{one.value}"),
    )
    days = right.slider(say("forecast.days_later"), -FARTHEST_DAYS, FARTHEST_DAYS, 0)
    choices = Choices(season=weather or Weather.NORMAL, pick_shift_days=int(days))
    if st.button(say("forecast.show_what_if"), disabled=not choices.what_if):
        with show.errors(), st.spinner(say("forecast.drawing")):
            made, refused = forecast_farm(
                store, table, session.settings(), made_on=session.today(), choices=choices
            )
            session.remember_what_if(made)
            show.refused(refused)


def show_what_if(forecasts: Sequence[Forecast]) -> None:
    """The what-if of this visit beside the latest forecast of record by the same size table."""
    found = session.last_what_if()
    if found is None:
        return
    of_record = [one for one in forecasts if not one.what_if and one.size_table == found.size_table]
    st.markdown(say("forecast.what_if_not_kept", what_if=show.plain(sentence(found.what_if))))
    show_crop.beside(of_record[-1] if of_record else None, found, session.units().diameter)
    if found.bridge is not None:
        show_chart(charts_forecast.bridge(found.bridge))
        if found.total.cartons is not None:
            means = number(found.bridge.cartons), number(found.total.cartons.p50)
            st.caption(say("forecast.mean_and_p50", mean=means[0], p50=means[1]))

"""What if it is dry or wet, or picked on other days: beside the forecast of record."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import charts, session, show, show_crop
from fruitvision.domain import Forecast, SizeTable
from fruitvision.forecast.growth import Weather
from fruitvision.pipeline import Choices, forecast_farm
from fruitvision.store import FarmStore

# Days by which a what-if may move the picks. Our choice: farther is another plan.
FARTHEST_DAYS = 14


def what_if(store: FarmStore, table: SizeTable) -> None:
    """Other weather or other pick dates: drawn, shown, not kept."""
    left, right = st.columns(2)
    weather = left.radio("Weather up to the pick", list(Weather), index=1, horizontal=True)
    days = right.slider("Picks so many days later", -FARTHEST_DAYS, FARTHEST_DAYS, 0)
    choices = Choices(season=weather or Weather.NORMAL, pick_shift_days=int(days))
    if st.button("Show what if", disabled=not choices.what_if):
        with show.errors(), st.spinner("Drawing the season …"):
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
    st.markdown(f"**What if: {show.plain(found.what_if)}.** It is not kept.")
    show_crop.beside(of_record[-1] if of_record else None, found, session.units().diameter)
    if found.bridge is not None:
        st.altair_chart(charts.bridge(found.bridge), width="stretch")

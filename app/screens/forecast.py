"""The pack-out at the pick, and the files for sales."""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import streamlit as st

from app import charts, files, session, show, show_crop
from app.forms.size_table import size_table_upload
from app.forms.what_if import show_what_if, what_if
from fruitvision.domain import CropForecast, Forecast, SizeTable
from fruitvision.export import (
    write_forecast_csv,
    write_forecast_json,
    write_forecast_xlsx,
    write_weeks_csv,
)
from fruitvision.pipeline import forecast_farm
from fruitvision.report import range_words
from fruitvision.report.forecast import NO_CLASSES, week_words
from fruitvision.store import FarmStore
from fruitvision.unit_system import Units

Write = Callable[[Forecast, Path, Units], object]
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def make(store: FarmStore) -> SizeTable:
    """The size table, and the button that makes a forecast by it."""
    table = session.choose_size_table()
    with st.expander("Add your own size table"):
        size_table_upload()
    dates = (f"{block.block_id} {show.day(block.pick_date)}" for block in store.blocks())
    st.caption(f"Pick dates: {show.plain(', '.join(dates))}.")
    if st.button("Make forecast", type="primary"):
        with show.errors(), st.spinner("Drawing the season …"):
            made, refused = forecast_farm(store, table, session.settings(), made_on=session.today())
            session.remember_version(made.forecast_id)
            session.say_next("The forecast is made and kept.", refused)
            st.rerun()
    return table


def choose(forecasts: Sequence[Forecast]) -> Forecast:
    newest_first = {item.forecast_id: item for item in reversed(forecasts)}
    names = list(newest_first)
    last = session.last_version()
    chosen = st.selectbox(
        "Version",
        names,
        index=names.index(last) if last in names else 0,
        format_func=lambda name: show_crop.version_words(newest_first[name]),
    )
    st.caption(f"{len(forecasts)} kept. A forecast is never changed; a correction is a new one.")
    return newest_first[chosen]


def _document(forecast: Forecast, path: Path, _units: Units) -> None:
    """The document of record is metric for everybody."""
    write_forecast_json(forecast, path)


FILES: tuple[tuple[str, str, Write, str], ...] = (
    ("XLSX", "forecast.xlsx", write_forecast_xlsx, XLSX),
    ("CSV", "forecast.csv", write_forecast_csv, "text/csv"),
    ("Weeks, CSV", "weeks.csv", write_weeks_csv, "text/csv"),
    ("JSON", "forecast.json", _document, "application/json"),
)


def _written(write: Write, forecast: Forecast, path: Path) -> None:
    write(forecast, path, session.units())


def downloads(forecast: Forecast) -> None:
    st.markdown("**For sales**")
    with st.container(horizontal=True):
        for label, name, write, mime in FILES:
            st.download_button(
                label,
                files.bytes_of(partial(_written, write, forecast), name),
                file_name=f"{forecast.forecast_id}-{name}",
                mime=mime,
                icon=":material/download:",
            )


def packout(crop: CropForecast) -> None:
    st.subheader(f"{show.plain(crop.variety)}: pack-out")
    if crop.classes:
        st.altair_chart(charts.packout(show_crop.classes_that_matter(crop)), width="stretch")
        show_crop.packout_table(crop)
    elif crop.cartons is not None:
        st.write(f"{range_words(crop.cartons)} cartons; {NO_CLASSES}")
    if crop.grades:
        show_crop.grades(crop)
    weeks = sorted({row.week for row in crop.weeks})
    if len(weeks) == 1:
        st.caption(f"All of it comes in {week_words(weeks[0])}.")
    elif weeks:
        st.markdown("**Cartons by week**")
        show_crop.weeks(crop)
    st.caption(show.plain(crop.rests_on))
    show.doubts(crop.doubts)


def changes(forecast: Forecast) -> None:
    if forecast.bridge is not None:
        st.subheader("Why it changed")
        st.write(f"Expected cartons since forecast {forecast.bridge.earlier_id}.")
        st.altair_chart(charts.bridge(forecast.bridge), width="stretch")


def shown(forecast: Forecast) -> None:
    if forecast.what_if:
        st.warning(f"What if: {show.plain(forecast.what_if)}. Not the forecast of record.")
    show_crop.crop_numbers(forecast.total, session.units())
    st.caption(show.plain(forecast.total.rests_on))
    st.caption("Below each number its range, P10–P90: 8 of 10 times the truth lies in it.")
    show.caution()
    st.markdown(f"**Next best action.** {show.plain(forecast.next_action)}")
    show_crop.uses(forecast)
    downloads(forecast)
    changes(forecast)
    columns = st.columns(min(2, len(forecast.varieties)), gap="medium")
    for number, variety in enumerate(forecast.varieties):
        with columns[number % len(columns)]:
            packout(variety)
    st.subheader("Blocks")
    for crop in forecast.blocks:
        with st.expander(f"{show.plain(crop.name)}, pick {show.day(crop.pick_date)}"):
            show_crop.crop_numbers(crop, session.units())
            if len(crop.picks) > 1:
                show_crop.picks_table(crop, session.units().diameter)
            st.caption(show.plain(crop.rests_on))
            show.doubts(crop.doubts)


store = session.farm()
st.title("Forecast")
show.note(*session.said())
if not store.blocks():
    st.write("No block yet.")
    st.page_link("screens/setup.py", label="Add a block", icon=":material/arrow_back:")
    st.stop()
new, kept = st.columns(2, gap="medium")
with new:
    table = make(store)
forecasts = store.forecasts()
with st.expander("What if it is dry, or you pick later?"):
    what_if(store, table)
    show_what_if(forecasts)
if forecasts:
    with kept:
        chosen = choose(forecasts)
    shown(chosen)
else:
    st.write("No forecast yet.")

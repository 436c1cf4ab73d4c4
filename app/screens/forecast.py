"""The pack-out at the pick, and the files for sales."""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import streamlit as st

from app import charts, files, session, show, show_crop
from fruitvision.domain import CropForecast, Forecast
from fruitvision.export import write_forecast_csv, write_forecast_json, write_forecast_xlsx
from fruitvision.pipeline import forecast_farm
from fruitvision.store import FarmStore

Write = Callable[[Forecast, Path], object]
FILES: tuple[tuple[str, Write, str], ...] = (
    (
        "xlsx",
        write_forecast_xlsx,
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ),
    ("csv", write_forecast_csv, "text/csv"),
    ("json", write_forecast_json, "application/json"),
)


def make(store: FarmStore) -> None:
    table = session.choose_size_table()
    dates = (f"{block.block_id} {show.day(block.pick_date)}" for block in store.blocks())
    st.caption(f"Pick dates: {show.plain(', '.join(dates))}.")
    if st.button("Make forecast", type="primary"):
        with show.errors(), st.spinner("Drawing the season …"):
            made, refused = forecast_farm(store, table, session.settings(), made_on=session.today())
            session.remember_version(made.forecast_id)
            session.say_next("The forecast is made and kept.", refused)
            st.rerun()


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


def downloads(forecast: Forecast) -> None:
    st.markdown("**For sales**")
    with st.container(horizontal=True):
        for ending, write, mime in FILES:
            st.download_button(
                ending.upper(),
                files.bytes_of(partial(write, forecast), f"forecast.{ending}"),
                file_name=f"forecast-{forecast.forecast_id}.{ending}",
                mime=mime,
                icon=":material/download:",
            )


def packout(crop: CropForecast) -> None:
    st.subheader(f"{show.plain(crop.variety)}: pack-out")
    if crop.classes:
        st.altair_chart(charts.packout(show_crop.classes_that_matter(crop)), width="stretch")
        show_crop.packout_table(crop)
    show.doubts(crop.doubts)


def shown(forecast: Forecast) -> None:
    show_crop.crop_numbers(forecast.total)
    st.caption("Below each number its range, P10–P90: 8 of 10 times the truth lies in it.")
    show.caution()
    st.markdown(f"**Next best action.** {show.plain(forecast.next_action)}")
    downloads(forecast)
    columns = st.columns(min(2, len(forecast.varieties)), gap="medium")
    for number, variety in enumerate(forecast.varieties):
        with columns[number % len(columns)]:
            packout(variety)
    st.subheader("Blocks")
    for crop in forecast.blocks:
        with st.expander(f"{show.plain(crop.name)}, pick {show.day(crop.pick_date)}"):
            show_crop.crop_numbers(crop)
            show.doubts(crop.doubts)


store = session.farm()
st.title("Forecast")
show.note(*session.said())
if not store.blocks():
    st.write("No block yet.")
    st.page_link("screens/farm.py", label="Add a block", icon=":material/arrow_back:")
    st.stop()
new, kept = st.columns(2, gap="medium")
with new:
    make(store)
forecasts = store.forecasts()
if forecasts:
    with kept:
        chosen = choose(forecasts)
    shown(chosen)
else:
    st.write("No forecast yet.")

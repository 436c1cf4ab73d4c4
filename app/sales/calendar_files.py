"""The calendar of the harvest as files: a table, events for phones, a page to hang up."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import streamlit as st

from app import files, show
from app.wording import say
from fruitvision.domain import Forecast, FrozenForecast
from fruitvision.export import write_harvest_csv
from fruitvision.harvest import HarvestCalendar
from fruitvision.pipeline.sales import frozen_before, sold_from
from fruitvision.store import FarmStore


def calendar_files(
    calendar: HarvestCalendar, forecast: Forecast, store: FarmStore, *, is_tried: bool
) -> None:
    """A button a file; passes that are only tried out go into no calendar of the crew."""
    with st.container(horizontal=True):
        _button("calendar_csv", partial(write_harvest_csv, calendar), forecast, "harvest.csv")
        if not is_tried:
            events = partial(_events, calendar, forecast, store)
            _button("calendar_ics", events, forecast, "harvest.ics")
            page = partial(_page, calendar, forecast, store)
            _button("calendar_pdf", page, forecast, "harvest.pdf")
    if not is_tried:
        st.caption(say("sales.calendar_files_help"))
        names = [calendar.farm, *(one.block_id for one in calendar.passes), *calendar.unknown]
        show.not_printed(names)


def _button(key: str, write: Callable[[Path], object], forecast: Forecast, name: str) -> None:
    st.download_button(
        say(f"sales.{key}"),
        partial(files.bytes_of, write, name),
        file_name=f"{forecast.forecast_id}-{name}",
        icon=":material/download:",
    )


def _events(calendar: HarvestCalendar, forecast: Forecast, store: FarmStore, path: Path) -> None:
    from fruitvision.export.calendar_ics import passes_gone, write_harvest_ics
    from fruitvision.pipeline.calendar_number import next_sequence

    gone = passes_gone(calendar, forecast, frozen_before(store, sold_from(store)))
    now, frozen = datetime.now(UTC), _frozen(forecast, store) is not None
    number = next_sequence(store.folder, now)
    write_harvest_ics(calendar, path, written_at=now, sequence=number, gone=gone, is_frozen=frozen)


def _page(calendar: HarvestCalendar, forecast: Forecast, store: FarmStore, path: Path) -> None:
    from fruitvision.export.calendar_pdf import printed_version, write_harvest_pdf

    version = printed_version(forecast, _frozen(forecast, store))
    today = datetime.now(UTC).astimezone().date()
    write_harvest_pdf(calendar, path, written_on=today, version=version)


def _frozen(forecast: Forecast, store: FarmStore) -> FrozenForecast | None:
    """Who froze it last; None where nobody did."""
    frozen = [one for one in store.frozen_forecasts() if one.forecast_id == forecast.forecast_id]
    return frozen[-1] if frozen else None

"""The files of a forecast for sales, each written when somebody asks for it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import streamlit as st

from app import files, session
from app.wording import say
from fruitvision.domain import Forecast
from fruitvision.export import (
    write_forecast_csv,
    write_forecast_json,
    write_forecast_xlsx,
    write_weeks_csv,
)
from fruitvision.unit_system import Units


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastFile:
    """One kind of file: the key of its label, the end of its name, its type, and what writes it."""

    label: str
    name: str
    mime: str
    write: Callable[..., object]


def _document(forecast: Forecast, path: Path, units: Units) -> None:
    """The document of record, metric for everybody."""
    del units
    write_forecast_json(forecast, path)


FORECAST_XLSX = ForecastFile(
    label="forecast.file_xlsx",
    name="forecast.xlsx",
    mime="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    write=write_forecast_xlsx,
)
FORECAST_CSV = ForecastFile(
    label="forecast.file_csv", name="forecast.csv", mime="text/csv", write=write_forecast_csv
)
WEEKS_CSV = ForecastFile(
    label="forecast.file_weeks", name="weeks.csv", mime="text/csv", write=write_weeks_csv
)
FORECAST_JSON = ForecastFile(
    label="forecast.file_json", name="forecast.json", mime="application/json", write=_document
)


def download_row(forecast: Forecast, kinds: Sequence[ForecastFile]) -> None:
    """A button a file, side by side."""
    units = session.units()
    with st.container(horizontal=True):
        for kind in kinds:
            st.download_button(
                say(kind.label),
                partial(files.bytes_of, partial(kind.write, forecast, units=units), kind.name),
                file_name=f"{forecast.forecast_id}-{kind.name}",
                mime=kind.mime,
                icon=":material/download:",
            )

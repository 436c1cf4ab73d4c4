"""The files of a forecast and the sales sheets, each written when somebody asks for it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal

import streamlit as st

from app import drawn, files, session, show
from app.wording import say
from fruitvision.domain import Forecast, UseQuantiles
from fruitvision.export import (
    write_forecast_csv,
    write_forecast_json,
    write_forecast_xlsx,
    write_weeks_csv,
)
from fruitvision.export.sheet_words import stem_of
from fruitvision.export.sheets import SHEET_FORMS, usual_paper, write_sheet
from fruitvision.pipeline.pick_plans import moved_blocks
from fruitvision.pipeline.sales import SoldFrom
from fruitvision.pipeline.sheet import sales_sheets, track_records
from fruitvision.sheet import for_buyer
from fruitvision.store import FarmStore
from fruitvision.unit_system import Units

# A button that runs the page again takes its own file away while the browser asks for it.
KEEP_PAGE: Literal["ignore"] = "ignore"


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastFile:
    """One kind of file: the key of its label, the end of its name, its type, and what writes it."""

    label: str
    name: str
    mime: str
    write: Callable[..., object]


def _document(forecast: Forecast, path: Path, units: Units, moved: Sequence[str]) -> None:
    """The document of record, metric for everybody and as it was made."""
    del units, moved
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
    source = partial(_write, forecast, session.farm(), session.units())
    with st.container(horizontal=True):
        for kind in kinds:
            st.download_button(
                say(kind.label),
                partial(files.bytes_of, partial(source, kind), kind.name),
                file_name=f"{forecast.forecast_id}-{kind.name}",
                mime=kind.mime,
                icon=":material/download:",
                on_click=KEEP_PAGE,
            )


def _write(
    forecast: Forecast, store: FarmStore, units: Units, kind: ForecastFile, path: Path
) -> None:
    kind.write(forecast, path, units=units, moved=moved_blocks(store, forecast))


# Type of each form of a sales sheet.
_SHEET_MIMES = {
    "pdf": "application/pdf",
    "xlsx": FORECAST_XLSX.mime,
    "csv": FORECAST_CSV.mime,
    "json": FORECAST_JSON.mime,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetSource:
    """What the sheet of a variety is made from, when somebody asks for it.

    `hidden` : names of blocks that a buyer's copy may not hold; None for the farm's own.
    """

    variety: str
    sold: SoldFrom
    quantiles: UseQuantiles
    store: FarmStore
    units: Units
    hidden: tuple[str, ...] | None

    def name(self, form: str) -> str:
        """Of the file in a form."""
        number, buyers = self.sold.forecast.number, self.hidden is not None
        return f"{stem_of(self.variety, number, for_buyer=buyers)}.{form}"


def sheet_rows(variety: str, sold: SoldFrom, quantiles: UseQuantiles, store: FarmStore) -> None:
    """The sales sheet of a variety: a row of buttons for the farm's own, and one for buyers."""
    blocks = [block.block_id for block in store.blocks()]
    blocks += [block.name for block in sold.forecast.blocks]
    for row, hidden in (("own", None), ("buyer", tuple(blocks))):
        source = SheetSource(
            variety=variety,
            sold=sold,
            quantiles=quantiles,
            store=store,
            units=session.units(),
            hidden=hidden,
        )
        st.caption(say(f"sales.sheet_{row}"))
        with st.container(horizontal=True):
            for form in SHEET_FORMS:
                st.download_button(
                    say(f"sales.sheet_file_{row}", kind=form.upper()),
                    partial(sheet_bytes, source, form),
                    file_name=source.name(form),
                    mime=_SHEET_MIMES[form],
                    icon=":material/download:",
                    on_click=KEEP_PAGE,
                )
    show.not_printed([sold.forecast.farm, variety])


def sheet_bytes(source: SheetSource, form: str) -> bytes:
    """The file of a sheet in a form."""
    records = track_records(source.store, source.sold.forecast)
    made = sales_sheets(
        source.sold,
        source.quantiles,
        track_records=records,
        moved=moved_blocks(source.store, source.sold.forecast),
        drawn=drawn,
    ).sheets
    (sheet,) = (one for one in made if one.variety == source.variety)
    copy = sheet if source.hidden is None else for_buyer(sheet, source.hidden)
    paper = usual_paper(source.units)
    write = partial(write_sheet, copy, form=form, units=source.units, paper=paper)
    return files.bytes_of(write, source.name(form))

"""What is drawn again from a kept forecast for its pages; once for all visitors."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import session
from fruitvision.domain import BlockInputs, Forecast
from fruitvision.forecast.change import ClassChange, changes_by_class
from fruitvision.forecast.drawn_with import drawn_again_with
from fruitvision.forecast.firm import FirmPart, firm_part, without_blocks
from fruitvision.forecast.size_bands import SizeBand, size_bands
from fruitvision.pipeline.harvest_plan import HarvestNow, HarvestRecord, harvest_now
from fruitvision.settings import Settings

# Results kept in memory, of each kind. Our choice: some weeks of a farm's versions, a few MB.
KEPT = 64


def sizes(forecast: Forecast, variety: str, *, step_mm: float) -> tuple[SizeBand, ...]:
    """Sizes of a variety at the walk and at the pick.

    Raises
    ------
    ForecastError
        If the forecast can't be drawn again.
    """
    settings = drawn_again_with(forecast).settings
    inputs = [one for one in forecast.inputs if one.estimate.block.variety == variety]
    key = f"{forecast.forecast_id} {variety} {step_mm}"
    return _sizes(key, inputs, settings, step_mm)


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _sizes(
    key: str, _inputs: Sequence[BlockInputs], _settings: Settings, _step_mm: float
) -> tuple[SizeBand, ...]:
    return size_bands(_inputs, _settings, step_mm=_step_mm)


def firm(forecast: Forecast) -> FirmPart:
    """What may be promised: without the blocks that are a first look.

    Raises
    ------
    ForecastError
        If there is a first look, and the forecast can't be drawn again.
    """
    return _firm(forecast.forecast_id, forecast)


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _firm(key: str, _forecast: Forecast) -> FirmPart:
    return firm_part(_forecast)


def changes(
    earlier: Forecast, now: Forecast, left_out: Sequence[str] = ()
) -> tuple[ClassChange, ...]:
    """Changes by class and week; blocks that are `left_out` of both are not in them.

    Raises
    ------
    ForecastError
        If one of the two can't be drawn again.
    """
    key = f"{earlier.forecast_id} {now.forecast_id} {sorted(left_out)}"
    return _changes(key, without_blocks(earlier, left_out), without_blocks(now, left_out))


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _changes(key: str, _earlier: Forecast, _now: Forecast) -> tuple[ClassChange, ...]:
    return changes_by_class(_earlier, _now)


def harvest(forecast: Forecast, record: HarvestRecord) -> HarvestNow:
    """Bins and pickers by day and what is picked, with the farm's crew of today.

    Raises
    ------
    ForecastError
        If the forecast can't be drawn again.
    """
    settings = session.settings()
    of_today = tuple(getattr(settings, name) for name in _OF_HARVEST)
    return _harvest(f"{forecast.forecast_id} {of_today} {record}", forecast, record, settings)


# Settings of today that a harvest is planned by.
_OF_HARVEST = (
    "bins_per_picker_day",
    "picker_pace_error",
    "crew",
    "bins_on_hand",
    "overtime_quantile",
    "bins_ahead_days",
    "bins_waiting_days",
    "pass_share_error",
    "bin_fill_error",
)


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _harvest(
    key: str, _forecast: Forecast, _record: HarvestRecord, _settings: Settings
) -> HarvestNow:
    return harvest_now(_forecast, _record, _settings)

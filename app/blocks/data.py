"""What the page shows, worked out once for each state of the farm, and the block that is chosen."""

from __future__ import annotations

from datetime import date
from urllib.parse import urlencode

import streamlit as st

from app import session
from fruitvision.domain import Attention, Forecast
from fruitvision.pipeline import attention_of
from fruitvision.pipeline.standing import BlockStanding, forecast_of_record, stand
from fruitvision.pipeline.thinning import thinning_of_farm
from fruitvision.pipeline.worth import worth_if_known
from fruitvision.settings import Settings
from fruitvision.store import FarmStore
from fruitvision.thinning import ThinningCheck
from fruitvision.worth import FarmWorth

# States of farms that are kept in memory. Our choice: one is open, another was before it.
KEPT = 2
BLOCK_IN_ADDRESS = "block"


def _key() -> str:
    """Another one after every change of the farm or its settings."""
    return f"{session.farm_folder()} {session.farm().stamp} {session.settings().sha256}"


def _planning_key() -> str:
    """Also another one after a change of settings that move no number of a forecast."""
    return f"{_key()} {session.settings()!r}"


def standings() -> tuple[BlockStanding, ...]:
    """Every block of the farm, what needs somebody first."""
    return _standings(_key(), session.today(), session.farm(), session.settings())


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _standings(
    key: str, today: date, _store: FarmStore, _settings: Settings
) -> tuple[BlockStanding, ...]:
    walks, refused = session.walks()
    forecast = _forecast(key, _store)
    return stand(_store, _settings, walks=walks, refused=refused, forecast=forecast, on=today)


def thinning() -> tuple[ThinningCheck, ...]:
    """The load of every walked block against its target, today."""
    return _thinning(_planning_key(), session.today(), session.farm(), session.settings())


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _thinning(
    key: str, today: date, _store: FarmStore, _settings: Settings
) -> tuple[ThinningCheck, ...]:
    plans = _store.pick_plans()
    return thinning_of_farm(standings(), _settings, on=today, plans=plans)


def worth() -> FarmWorth | None:
    """What the farm's value hangs on; None without a forecast that can be drawn."""
    return _worth(_planning_key(), session.farm(), session.settings())


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _worth(key: str, _store: FarmStore, _settings: Settings) -> FarmWorth | None:
    return worth_if_known(_store, _settings)


def forecast() -> Forecast | None:
    """The latest forecast that is no what-if."""
    return _forecast(_key(), session.farm())


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _forecast(key: str, _store: FarmStore) -> Forecast | None:
    return forecast_of_record(_store)


def attention() -> tuple[Attention, ...]:
    """What stands out from its like on the whole farm."""
    return _attention(_key(), session.settings())


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _attention(key: str, _settings: Settings) -> tuple[Attention, ...]:
    walks, _ = session.walks()
    return attention_of(walks, _settings)


# ---------------------------------------------------------------- which block


def chosen() -> str:
    """The block that the address names; empty for all blocks."""
    return str(st.query_params.get(BLOCK_IN_ADDRESS, ""))


def choose(block_id: str | None) -> None:
    """From now on this block is shown; none for all blocks."""
    if block_id:
        st.query_params[BLOCK_IN_ADDRESS] = block_id
    else:
        st.query_params.pop(BLOCK_IN_ADDRESS, None)


def address_of(block_id: str) -> str:
    """The page's address for a block, with everything else that the visitor chose."""
    return f"?{urlencode({**st.query_params.to_dict(), BLOCK_IN_ADDRESS: block_id})}"

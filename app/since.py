"""That a version is older than what the farm knows now, beside its numbers."""

from __future__ import annotations

from datetime import date

import streamlit as st

from app import session, show
from app.changes import field_words
from app.wording import day, say
from fruitvision.domain import CropForecast, Forecast
from fruitvision.pipeline.since import BlockSince, SinceForecast, since_forecast
from fruitvision.settings import Settings
from fruitvision.store import FarmStore

# Versions whose changes are kept in memory. Our choice: those that a page or two show.
KEPT = 16


def since(forecast: Forecast) -> SinceForecast:
    """What changed on the farm since a version; worked out again only after a change."""
    store, settings = session.farm(), session.settings()
    key = f"{session.farm_folder()} {store.stamp} {settings.sha256} {forecast.forecast_id}"
    return _since(key, forecast, store, settings)


@st.cache_resource(show_spinner=False, max_entries=KEPT)
def _since(key: str, _forecast: Forecast, _store: FarmStore, _settings: Settings) -> SinceForecast:
    walks, _ = session.walks()
    return since_forecast(_forecast, _store, _settings, walks=walks)


def since_part(forecast: Forecast, block_id: str = "", *, only_bins: bool = False) -> None:
    """A warning with what changed; nothing where the numbers still hold.

    Parameters
    ----------
    block_id : str
        Only what changed of this block and of the settings; of all blocks if left out.
    only_bins : bool
        Whether nothing else on the page is the version's.
    """
    found = since(forecast)
    blocks = [one for one in found.blocks if block_id in ("", one.block_id)]
    parts = [*_moved(blocks), *_causes(blocks)]
    if not block_id:
        parts += [say("since.went", name=name) for name in found.went]
    if found.settings:
        parts.append(say("since.settings", names=", ".join(map(field_words, found.settings))))
    if parts:
        words = say(
            "since.changed_bins" if only_bins else "since.changed",
            number=forecast.number,
            made_on=forecast.made_on,
            what=show.plain("; ".join(parts)),
            then=say("since.make_new" if session.makes_forecasts() else "since.ask_new"),
        )
        st.warning(words, icon=":material/history:")


def _moved(blocks: list[BlockSince]) -> list[str]:
    return [
        say("since.pick", block=one.block_id, then=day(one.pick_then), now=day(one.pick_now))
        for one in blocks
        if one.pick_moved
    ]


def _causes(blocks: list[BlockSince]) -> list[str]:
    """Each cause with the blocks that it is of."""
    causes = dict.fromkeys(cause for one in blocks for cause in one.causes)
    return [
        say(
            f"since.{cause}",
            blocks=", ".join(one.block_id for one in blocks if cause in one.causes),
        )
        for cause in causes
    ]


def bins_of(crop: CropForecast, found: BlockSince | None) -> str:
    """What a block's bins are of, where that is no longer so; empty where it is."""
    if found is None:
        return ""
    if found.pick_moved:
        return say("since.bins_of_pick", day=found.pick_then or crop.pick_date)
    return say("since.bins_before")


def picks_of(forecast: Forecast) -> str:
    """The picks that a version is of: `Gala North 9 Sep 2026 (week 37), …`."""
    return ", ".join(f"{crop.name} {_days(crop)}" for crop in forecast.blocks)


def _days(crop: CropForecast) -> str:
    days: list[date | None] = [one.pick_date for one in crop.picks] or [crop.pick_date]
    return " + ".join(show.day(one) for one in days)

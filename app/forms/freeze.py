"""Give a forecast to sales: who, when, and why if somebody wants to say it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import streamlit as st

from app import session, show, show_crop
from app.wording import moment, say
from fruitvision.domain import Forecast, FrozenForecast
from fruitvision.pipeline.sales import freeze
from fruitvision.store import FarmStore

# Our choice: a sentence.
LONGEST_NOTE = 200


def freeze_form(forecast: Forecast, store: FarmStore) -> None:
    """Freeze the version that is shown; a what-if can't be."""
    if forecast.what_if:
        st.write(say("forecast.freeze_what_if"))
        return
    st.caption(say("forecast.freeze_lead"))
    with st.form(f"freeze {forecast.forecast_id}", border=False):
        who = st.text_input(
            say("forecast.freeze_who"), value=session.person(), max_chars=session.LONGEST_NAME
        )
        note = st.text_input(say("forecast.freeze_note"), max_chars=LONGEST_NOTE)
        if st.form_submit_button(say("forecast.freeze_button")):
            with show.errors():
                now = datetime.now(UTC)
                frozen = freeze(store, forecast.forecast_id, by=who, at=now, note=note)
                done = "freeze_done" if frozen.frozen_at == now else "freeze_same"
                session.say_next(say(f"forecast.{done}"))
                st.rerun()


def standing(forecast: Forecast, frozen: Sequence[FrozenForecast]) -> str:
    """Whether sales works with this version, in a sentence."""
    of_this = [one for one in frozen if one.forecast_id == forecast.forecast_id]
    if not of_this:
        return say("forecast.frozen_not")
    latest = frozen[-1].forecast_id == forecast.forecast_id
    return say(
        "forecast.frozen_is" if latest else "forecast.frozen_was",
        who=show.plain(of_this[-1].frozen_by),
        when=moment(of_this[-1].frozen_at),
    )


def frozen_list(forecasts: Sequence[Forecast], frozen: Sequence[FrozenForecast]) -> None:
    """All frozen versions, the latest first."""
    if not frozen:
        st.write(say("forecast.frozen_none"))
        return
    known = {one.forecast_id: one for one in forecasts}
    show.table(
        [
            {
                say("forecast.frozen_version"): _version(one, known.get(one.forecast_id)),
                say("forecast.frozen_when"): moment(one.frozen_at),
                say("forecast.frozen_who"): one.frozen_by,
                say("forecast.frozen_why"): one.note or "–",
            }
            for one in reversed(frozen)
        ]
    )


def _version(frozen: FrozenForecast, forecast: Forecast | None) -> str:
    return frozen.forecast_id if forecast is None else show_crop.version_words(forecast)

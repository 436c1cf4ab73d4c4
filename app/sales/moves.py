"""Passes on other days or with other shares: a try-out that the calendar follows at once, and what
keeps it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import streamlit as st

from app import conflicts, session, show
from app.wording import day, percent, say
from fruitvision.domain import Forecast, Pick, PickPlan
from fruitvision.errors import ConflictError
from fruitvision.pipeline.pick_plans import check_moved, keep_plans
from fruitvision.store import FarmStore

# The form of all blocks, for two who move the same passes.
FORM = "passes"
# Step of a share, percent. Our choice.
SHARE_STEP = 5.0
_TRIED = "passes tried out"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tried:
    """The passes of a block as the visitor saw them, and as they shall be."""

    forecast_id: str
    seen: PickPlan
    new: PickPlan


def moves(
    forecast: Forecast, plans: Mapping[str, PickPlan], store: FarmStore
) -> Mapping[str, PickPlan]:
    """Boxes for the passes of a block; what is tried out, of all blocks, if it can be meant.

    Parameters
    ----------
    plans : mapping of str to PickPlan
        The passes as the farm keeps them now.
    """
    conflicts.question(FORM, store)
    tried = _tried(forecast, plans)
    st.write(say("harvest.moves_lead"))
    block = st.selectbox(say("harvest.moves_block"), list(plans), key="block of passes")
    form = f"{FORM} {block}"
    now, key = conflicts.shown(
        form,
        tried.get(block)
        or _Tried(forecast_id=forecast.forecast_id, seen=plans[block], new=plans[block]),
    )
    new = _boxes(now.new, key)
    tried[block] = replace(now, new=new)
    if new == now.seen:
        del tried[block]
    if not tried:
        return {}
    given = {name: one.new for name, one in tried.items()}
    with show.errors():
        check_moved(given, forecast)
        _buttons(tried, forecast, store)
        return given
    return {}


def try_out_line(plans: Mapping[str, PickPlan]) -> None:
    """That what follows is a try-out, and of what."""
    words = "; ".join(f"{show.plain(name)}: {_passes_words(plan)}" for name, plan in plans.items())
    st.warning(say("harvest.try_out", passes=words))


def _tried(forecast: Forecast, plans: Mapping[str, PickPlan]) -> dict[str, _Tried]:
    """What this visitor tries out with this forecast."""
    tried: dict[str, _Tried] = st.session_state.setdefault(_TRIED, {})
    for name, one in list(tried.items()):
        if one.forecast_id != forecast.forecast_id or name not in plans:
            del tried[name]
    return tried


def _boxes(plan: PickPlan, key: str) -> PickPlan:
    """A day a pass, and a share for all but the last, which takes what is left."""
    picks: list[Pick] = []
    left = 1.0
    several = len(plan.picks) > 1
    for index, pick in enumerate(plan.picks, start=1):
        columns = st.columns(2) if several else [st.container()]
        chosen = columns[0].date_input(
            say("harvest.pass_day", n=index) if several else say("harvest.pick_day"),
            value=pick.pick_date,
            format="YYYY-MM-DD",
            key=key if index == 1 else f"{key} day {index}",
        )
        share = pick.share
        if several and index < len(plan.picks):
            percents = columns[1].number_input(
                say("harvest.pass_share", n=index),
                value=100 * pick.share,
                step=SHARE_STEP,
                key=f"{key} share {index}",
            )
            # As it was, where nobody typed: a third is no whole number of percent.
            share = pick.share if percents == 100 * pick.share else percents / 100
        elif several:
            kept = all(one.share == old.share for one, old in zip(picks, plan.picks, strict=False))
            share = pick.share if kept else left
            columns[1].write(say("harvest.last_share", share=percent(max(share, 0.0))))
        left -= share
        picks.append(replace(pick, pick_date=chosen, share=share))
    return replace(plan, picks=tuple(picks))


def _buttons(tried: dict[str, _Tried], forecast: Forecast, store: FarmStore) -> None:
    left, right = st.columns(2)
    if left.button(say("harvest.keep_moves"), type="primary", width="stretch"):
        with conflicts.asked(FORM):
            for name, one in list(tried.items()):
                # What is refused stays as it was typed; of a conflict the question above holds it.
                try:
                    keep_plans(
                        {name: one.new}, {name: one.seen}, store, forecast, who=session.person()
                    )
                except ConflictError:
                    _forget(name, tried)
                    raise
                _forget(name, tried)
            session.say_next(say("harvest.moves_kept"))
            st.rerun()
    if right.button(say("harvest.drop_moves"), width="stretch"):
        for name in list(tried):
            _forget(name, tried)
        st.rerun()


def _forget(name: str, tried: dict[str, _Tried]) -> None:
    del tried[name]
    conflicts.forget(f"{FORM} {name}")


def _passes_words(plan: PickPlan) -> str:
    if len(plan.picks) == 1:
        return day(plan.picks[0].pick_date)
    return ", ".join(f"{day(one.pick_date)} ({percent(one.share)})" for one in plan.picks)

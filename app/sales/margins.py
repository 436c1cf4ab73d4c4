"""Passes that may not pay, and the costs that they are held against."""

from __future__ import annotations

import streamlit as st

from app import conflicts, session, show
from app.charts_forecast import day_words, range_of
from app.wording import number, percent, say
from fruitvision.domain import Estimate, Forecast
from fruitvision.harvest.margins import Margins, PassMargin
from fruitvision.pipeline.farm_entries import set_costs, settings_of
from fruitvision.pipeline.harvest_plan import HarvestRecord, margins_now
from fruitvision.store import FarmStore

# Step of a cost. Our choice.
COST_STEP = 1.0


def margins(forecast: Forecast, record: HarvestRecord, store: FarmStore) -> None:
    """What a bin of each pass leaves, and a form for what picking and packing cost."""
    with show.errors():
        found = margins_now(forecast, record, session.settings())
        if found is None:
            st.write(say("harvest.no_margins"))
        else:
            _table(found)
    if session.plans_harvest():
        _costs_form(store)


def _table(found: Margins) -> None:
    if found.marginal:
        names = ", ".join(show.plain(_pass_words(one)) for one in found.marginal)
        st.warning(say("harvest.marginal", n=len(found.marginal), passes=names))
    currency = session.settings().currency
    head = say("harvest.per_bin", currency=currency) if currency else say("harvest.per_bin_bare")
    show.table(
        [
            {
                say("sales.pass_column"): say(
                    "sales.pass_and_days", block=_pass_words(one), days=day_words(one.pick_date)
                ),
                say("sales.bins"): range_of(one.bins),
                head: _amount(one.per_bin),
                say("harvest.loss_chance"): percent(one.chance_below),
            }
            for one in found.passes
        ]
    )
    lacking = {one.variety: one.lacking for one in found.passes if one.lacking}
    for variety, classes in lacking.items():
        words = show.plain(", ".join(classes))
        st.caption(say("harvest.no_price", variety=show.plain(variety), classes=words))
    guesses = dict.fromkeys(one.block_id for one in found.passes if one.first_look)
    if guesses:
        st.caption(say("harvest.margins_guess", blocks=show.plain(", ".join(guesses))))
    if found.unpriced:
        blocks = show.plain(", ".join(found.unpriced))
        st.caption(say("harvest.unpriced", blocks=blocks))
    st.caption(say("harvest.margins_help"))


def _pass_words(one: PassMargin) -> str:
    if one.passes == 1:
        return one.block_id
    return f"{one.block_id} {number(one.number)}/{number(one.passes)}"


def _amount(estimate: Estimate) -> str:
    low, mid, high = (number(value) for value in (estimate.p10, estimate.p50, estimate.p90))
    return say("harvest.amount", mid=mid, low=low, high=high)


def _costs_form(store: FarmStore) -> None:
    form = "costs"
    conflicts.question(form, store)
    seen, key = conflicts.shown(form, store.farm())
    kept = settings_of(seen)
    with st.form(form, border=False):
        pick = st.number_input(
            say("harvest.pick_cost"), value=float(kept.pick_cost_per_bin), step=COST_STEP, key=key
        )
        pack = st.number_input(
            say("harvest.pack_cost"), value=float(kept.pack_cost_per_carton), step=COST_STEP
        )
        if conflicts.save_button(say("harvest.save_costs"), form):
            with conflicts.asked(form):
                set_costs(float(pick), float(pack), seen, store, who=session.person())
                conflicts.forget(form)
                session.say_next(say("harvest.costs_saved"))
                st.rerun()

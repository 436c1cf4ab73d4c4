"""What is picked by bin tickets, and what is still to come."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from app import charts_harvest, session, show
from app.charts_forecast import amount, day_words, range_of
from app.show_chart import show_chart
from app.wording import day, number, percent, say, sentence
from fruitvision.domain import Forecast
from fruitvision.errors import FruitVisionError
from fruitvision.harvest.tickets import PassKey, PassState
from fruitvision.harvest.update import HarvestUpdate, PassProgress, RestUpdate
from fruitvision.pipeline.picked import log_update, mark_pass
from fruitvision.report.harvest_update import LEAST_EFFECT, NAMED_CAUSES
from fruitvision.store import FarmStore

# Tickets that are named because they belong to no pass. Our choice: a screen of a phone.
NAMED_TICKETS = 8


def picked(
    update: HarvestUpdate | None,
    passes: Sequence[tuple[str, int, int]],
    finished: frozenset[PassKey],
    forecast: Forecast,
    store: FarmStore,
) -> None:
    """Passes so far and the rest with what moved it, finished passes, and the log.

    Parameters
    ----------
    passes : sequence of (block, number, passes of the block)
        All passes that are planned.
    finished : frozenset of (block, number)
        Those of which a person said that they are finished.
    """
    if update is None or update.as_of is None:
        st.write(say("harvest.no_tickets"))
    if update is not None:
        _left_out(update)
    if update is not None and update.as_of is not None:
        _numbers(update)
        _surprises(update)
        show_chart(charts_harvest.rest(update.blocks))
        st.caption(say("harvest.rest_help"))
        _moved(update.blocks)
        show.table([_line(one) for one in update.passes])
        if any(one.inferred for one in update.passes):
            st.caption(say("harvest.inferred_help"))
        st.caption(say("harvest.rest_no_forecast"))
        _log(update, store)
    _finished(passes, finished, _with_tickets(update), forecast, store)


def _numbers(update: HarvestUpdate) -> None:
    total = update.total
    as_of = update.as_of
    told = say("harvest.as_of", day=as_of) if as_of is not None else ""
    show.numbers(
        [
            (say("harvest.picked_bins"), amount(total.picked_bins), told),
            show.estimate(say("harvest.rest_now"), total.rest),
            show.estimate(say("harvest.rest_was"), total.rest_before),
            show.estimate(say("harvest.in_all"), total.total),
        ]
    )


def _surprises(update: HarvestUpdate) -> None:
    for one in update.passes:
        if one.surprising:
            st.warning(
                say(
                    "harvest.surprising",
                    block=show.plain(_pass_words(one.block_id, one.number, one.passes)),
                    picked=amount(one.picked_bins),
                    planned=range_of(one.planned),
                )
            )


def _moved(blocks: Sequence[RestUpdate]) -> None:
    """What moved the rest of each block, one line each."""
    lines = []
    for one in blocks:
        causes = [c for c in one.causes if abs(c.effect) >= LEAST_EFFECT][:NAMED_CAUSES]
        if not causes:
            continue
        why = ", ".join(
            say(
                "harvest.cause",
                block=say("harvest.own_tickets")
                if cause.block_id == one.name
                else show.plain(cause.block_id),
                effect=_effect(cause.effect),
            )
            for cause in causes
        )
        lines.append(f"- {say('harvest.moved_by', block=show.plain(one.name), why=why)}")
    if lines:
        st.markdown("\n".join(lines))


def _effect(effect: float) -> str:
    sign = "+" if effect > 0 else "\u2212"
    return f"{sign}{percent(abs(effect))}"


def _line(one: PassProgress) -> dict[str, str]:
    state = say(f"harvest.state_{one.state.name.lower()}")
    return {
        say("sales.pass_column"): say(
            "sales.pass_and_days",
            block=_pass_words(one.block_id, one.number, one.passes),
            days=day_words(one.pick_date),
        ),
        say("harvest.picked_column"): say(
            "harvest.picked_of", picked=amount(one.picked_bins), planned=range_of(one.planned)
        ),
        say("harvest.rest_column"): say("harvest.state_inferred", state=state)
        if one.inferred
        else state
        if one.state is PassState.FINISHED
        else range_of(one.rest),
    }


def _left_out(update: HarvestUpdate) -> None:
    """Tickets that belong to no pass; none is dropped unsaid."""
    if update.left_out:
        lines = [
            say(
                "harvest.left_out_line",
                ticket=show.plain(one.ticket.ticket),
                day=day(one.ticket.picked_on),
                bins=amount(one.ticket.bins),
                why=show.plain(sentence(one.why)),
            )
            for one in update.left_out[:NAMED_TICKETS]
        ]
        more = len(update.left_out) - NAMED_TICKETS
        lines += [say("harvest.left_out_more", n=more)] * (more > 0)
        head = say("harvest.left_out", n=len(update.left_out))
        st.warning("  \n".join((f"**{head}**", *lines)))
    if update.other_seasons:
        st.caption(say("harvest.other_seasons", n=update.other_seasons))


def _log(update: HarvestUpdate, store: FarmStore) -> None:
    if session.plans_harvest() and st.button(
        say("harvest.log_button"), help=say("harvest.log_help")
    ):
        written = log_update(update, store, who=session.person())
        session.say_next(say("harvest.logged", n=written))
        st.rerun()


def _finished(
    passes: Sequence[tuple[str, int, int]],
    finished: frozenset[PassKey],
    with_tickets: frozenset[PassKey],
    forecast: Forecast,
    store: FarmStore,
) -> None:
    """A box with all passes, none of them chosen, and a button that says that one is finished or
    goes on after all; a pass without any ticket is finished at a second yes."""
    if not passes or not session.plans_harvest():
        return
    chosen = st.selectbox(
        say("harvest.finished_which"),
        list(passes),
        index=None,
        format_func=lambda one: _choice_words(one, finished),
        placeholder=say("harvest.finished_choose"),
        key="pass to finish",
    )
    if chosen is None:
        st.button(say("harvest.finished_button"), disabled=True)
        return
    block_id, index, _ = chosen
    is_finished = (block_id, index) in finished
    label = say("harvest.not_finished_button" if is_finished else "harvest.finished_button")
    sure = is_finished or (block_id, index) in with_tickets
    if not sure:
        words = say("harvest.finished_no_ticket", block=show.plain(_pass_words(*chosen)))
        sure = st.checkbox(words, key=f"finished without a ticket {block_id} {index}")
    if st.button(label, disabled=not sure):
        try:
            mark_pass(
                (block_id, index), forecast, store, finished=not is_finished, who=session.person()
            )
        except FruitVisionError as err:
            show.error(err)
            return
        session.say_next(say("harvest.marked", block=_pass_words(*chosen)))
        st.rerun()


def _with_tickets(update: HarvestUpdate | None) -> frozenset[PassKey]:
    if update is None:
        return frozenset()
    return frozenset((one.block_id, one.number) for one in update.passes if one.picked_bins > 0)


def _choice_words(one: tuple[str, int, int], finished: frozenset[PassKey]) -> str:
    words = _pass_words(*one)
    return say("harvest.is_finished", block=words) if one[:2] in finished else words


def _pass_words(block_id: str, index: int, passes: int) -> str:
    return f"{block_id} {number(index)}/{number(passes)}" if passes > 1 else block_id

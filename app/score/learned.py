"""What past seasons would correct: seen with its numbers, then accepted or refused by name."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from math import expm1

import streamlit as st

from app import session, show
from app.chosen import in_address
from app.score.words import count_correction, cull_correction, size_correction, stage_words
from app.wording import moment, say, signed
from fruitvision.domain import Stage
from fruitvision.learning.corrections import Proposal
from fruitvision.pipeline.learning import accept, refuse
from fruitvision.store import FarmStore
from fruitvision.unit_system import Unit

# Our choice: a sentence.
LONGEST_NOTE = 200


def learned_part(found: Sequence[Proposal], store: FarmStore, unit: Unit) -> None:
    """A table of the corrections of one stage, and the form to accept or refuse them."""
    st.subheader(say("score.learned_head"))
    if not found:
        st.write(say("score.learned_none"))
        return
    st.write(say("score.learned_lead"))
    stage = Stage[
        in_address(
            say("score.stage"),
            [one.name for one in Stage],
            name="stage",
            words=lambda name: stage_words(Stage[name]),
            start=Stage.PLAN.name,
        )
    ]
    offered = [one for one in found if one.believable]
    if offered:
        show.table([_line(one, stage, unit) for one in offered])
    for one in found:
        if not one.believable:
            st.warning(_not_offered(one))
        st.caption(_standing(one))
    if any(_is_old(one) for one in found):
        st.info(say("score.learned_newer"), icon=":material/update:")
    _choose(found, store)


def _line(one: Proposal, stage: Stage, unit: Unit) -> dict[str, str]:
    learned = one.of(stage)
    return {
        say("common.block"): one.block_id,
        say("score.fruit_column"): count_correction(learned),
        say("score.size_column"): size_correction(learned.size_mm, unit),
        say("score.culls_column"): cull_correction(learned.cull),
    }


def _not_offered(one: Proposal) -> str:
    """That a block's correction is beyond belief, and which tickets to check."""
    largest = max((learned.count.value for learned in one.by_stage), key=abs)
    return say(
        "score.not_offered",
        block=show.plain(one.block_id),
        percent=f"{signed(100 * expm1(largest))} %",
        results=show.plain(", ".join(one.far_off) or one.block_id),
    )


def _standing(one: Proposal) -> str:
    """What a block's correction rests on, what was left out, and what was said of it."""
    rests = say("score.seasons", n=one.results) if one.results else say("score.of_others")
    words = say("score.standing", block=one.block_id, rests=rests, said=_said(one))
    if one.left_out:
        words = f"{words} {say('score.left_out_of', years='; '.join(one.left_out))}"
    return show.plain(words)


def _said(one: Proposal) -> str:
    if one.choice is None:
        return say("score.undecided")
    name = "score.accepted_by" if one.choice.accepted else "score.refused_by"
    words = say(name, who=one.choice.who, when=moment(one.choice.at))
    return f"{words}: {one.choice.note}" if one.choice.note else words


def _is_old(one: Proposal) -> bool:
    """Whether what is used was learned of fewer seasons."""
    return one.choice is not None and one.choice.accepted and one.choice.by_stage != one.by_stage


def _choose(found: Sequence[Proposal], store: FarmStore) -> None:
    names = [one.block_id for one in found]
    with st.form("learned", border=False):
        chosen = st.multiselect(
            say("score.choose_blocks"),
            names,
            default=[
                one.block_id
                for one in found
                if one.believable and (one.choice is None or _is_old(one))
            ],
            placeholder=say("score.choose_placeholder"),
        )
        who = st.text_input(
            say("score.who"), value=session.person(), max_chars=session.LONGEST_NAME
        )
        note = st.text_input(say("score.note"), max_chars=LONGEST_NOTE)
        left, right = st.columns(2)
        use = left.form_submit_button(say("score.use"), width="stretch")
        not_use = right.form_submit_button(say("score.not_use"), width="stretch")
    if not (use or not_use):
        return
    if not chosen:
        st.warning(say("score.none_chosen"))
        return
    with show.errors():
        act = accept if use else refuse
        kept = act(chosen, store, who=who, note=note, at=datetime.now(UTC))
        session.say_next(say("score.used" if use else "score.not_used", n=len(kept)))
        st.rerun()

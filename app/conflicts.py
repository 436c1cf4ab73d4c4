"""Two people changed the same: both values are shown, and one of them asked which stays."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TypeVar, cast

import streamlit as st

from app import changes, session, show
from app.wording import say
from fruitvision.domain import Conflict
from fruitvision.errors import ConflictError, FruitVisionError
from fruitvision.pipeline.settling import settle
from fruitvision.store import FarmStore

R = TypeVar("R")


def shown(form: str, now: R) -> tuple[R, str]:
    """The record that a form was filled with when it was first drawn, and a key.

    The key must be that of one of the form's boxes: as long as that box is on the page the record
    stays the same, whatever others save meanwhile, so that a save can tell what was seen. A box
    that is drawn anew shows what is kept `now`.
    """
    key = f"{form} {_round(form)}"
    if not is_open(form) or _seen(form) not in st.session_state:
        st.session_state[_seen(form)] = now
    return cast("R", st.session_state[_seen(form)]), key


def is_open(form: str) -> bool:
    """Whether this visitor had the form on the page just now, with what was typed in it."""
    return f"{form} {_round(form)}" in st.session_state


def forget(form: str) -> None:
    """The form is saved or given up: draw it anew, with what is kept then."""
    st.session_state[_counter(form)] = _round(form) + 1
    st.session_state.pop(_seen(form), None)


def save_button(label: str, form: str, *, first: bool = False) -> bool:
    """The button that saves a form; a question about an earlier save of it goes away.

    What is typed now is another entry than the one that was asked about.
    """
    return st.form_submit_button(
        label,
        type="primary" if first else "secondary",
        on_click=st.session_state.pop,
        args=(_pending(form), None),
    )


@contextmanager
def asked(form: str) -> Iterator[None]:
    """Save what a form holds in this block.

    An error is shown and what was typed stays. A conflict is kept for `question`, and the page is
    drawn anew with it.
    """
    try:
        yield
    except ConflictError as err:
        st.session_state[_pending(form)] = err.conflict
        st.rerun()
    except FruitVisionError as err:
        show.error(err)


def question(form: str, store: FarmStore) -> None:
    """Both values of what two people changed, and which one shall stay; nothing without a conflict.

    Call it above the form.
    """
    conflict = st.session_state.get(_pending(form))
    if not isinstance(conflict, Conflict):
        return
    with st.container(border=True, key=f"conflict {form}"):
        st.markdown(f"**{_words(conflict)}**")
        show.table(_lines(conflict))
        left, right = st.columns(2)
        if left.button(say("work.keep_theirs"), key=f"theirs {form}", width="stretch"):
            _close(form, say("work.kept_theirs"))
        if right.button(say("work.keep_mine"), key=f"mine {form}", width="stretch"):
            with asked(form):
                settle(conflict, store, who=session.person())
                _close(form, say("work.kept_mine"))


def _close(form: str, note: str) -> None:
    st.session_state.pop(_pending(form), None)
    forget(form)
    session.say_next(note)
    st.rerun()


def _words(conflict: Conflict[Any]) -> str:
    who = show.plain(conflict.who) or say("work.somebody")
    thing = conflict.mine or conflict.theirs
    about = show.plain(changes.about_words(conflict.kind, thing, conflict.about))
    if conflict.at is None:
        return say("work.changed_meanwhile", who=who, about=about)
    return say("work.changed_at", who=who, about=about, when=conflict.at)


def _lines(conflict: Conflict[Any]) -> list[dict[str, str]]:
    return [
        {
            say("work.field"): changes.field_words(one.name),
            say("work.theirs"): changes.value_words(one.name, one.before),
            say("work.mine"): changes.value_words(one.name, one.after),
        }
        for one in conflict.fields
    ]


def _round(form: str) -> int:
    return int(st.session_state.get(_counter(form), 0))


def _counter(form: str) -> str:
    return f"round of {form}"


def _seen(form: str) -> str:
    return f"seen in {form}"


def _pending(form: str) -> str:
    return f"conflict in {form}"

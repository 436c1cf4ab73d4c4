"""What was told of names and columns before: a list, and the way to take one back."""

from __future__ import annotations

import streamlit as st

from app import session, show
from app.papers.words import column_words, kind_words, meant_words, what_words
from app.wording import day, say
from fruitvision.domain import NameMapping
from fruitvision.papers.answers import TABLES, columns_from_text
from fruitvision.pipeline.papers import forget_name, names_said
from fruitvision.store import FarmStore


def said_before(store: FarmStore) -> None:
    """All that was told, one line each; one of them can be asked again."""
    found = names_said(store)
    if not found:
        st.write(say("papers.said_none"))
        return
    st.markdown("\n".join(f"- {show.plain(_words(one))}" for one in found))
    chosen = st.selectbox(
        say("papers.said_which"),
        range(len(found)),
        index=None,
        format_func=lambda number: say(
            "papers.said_name", what=what_words(found[number].kind), written=found[number].written
        ),
        placeholder=say("papers.choose"),
        key=f"papers said {len(found)}",
    )
    if st.button(say("papers.said_forget"), disabled=chosen is None) and chosen is not None:
        with show.errors():
            one = found[chosen]
            forget_name(one.kind, one.written, store)
            session.say_next(say("papers.said_forgotten", written=one.written))
            st.rerun()


def _words(one: NameMapping) -> str:
    values = {
        "what": what_words(one.kind),
        "written": one.written,
        "meant": _meant(one),
        "day": day(one.at.astimezone().date()),
    }
    if not one.who:
        return say("papers.said_is", **values)
    return say("papers.said_is_by", who=one.who, **values)


def _meant(one: NameMapping) -> str:
    if one.kind == TABLES:
        return kind_words(one.meant)
    if one.kind.startswith(f"{TABLES} "):
        columns = columns_from_text(one.meant)
        return ", ".join(f"{label} = {column_words(name)}" for label, name in columns.items())
    return meant_words(one.kind, one.meant)

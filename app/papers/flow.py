"""From a table in a box to its rows on the farm: looked at, asked about, taken in at a yes."""

from __future__ import annotations

import hashlib

import streamlit as st

from app import files, session, show
from app.papers.asked import Asker, answers_about, column_notes, forget_answers
from app.papers.told import (
    about_sheet,
    first_rows,
    left_out,
    understood_cells,
    why_this_kind,
    would_change,
)
from app.papers.words import kind_words
from app.waiting import all_that_wait
from app.wording import say
from fruitvision.papers.answers import Answers
from fruitvision.papers.kinds import BLOCK
from fruitvision.pipeline.additions import NamedFile
from fruitvision.pipeline.paper_records import Preview
from fruitvision.pipeline.papers import look_at, take_in
from fruitvision.store import FarmStore

TABLE_TYPES = ["csv", "txt", "tsv", "xlsx"]
# Key of the session state: grows with every table that went in, so that the box is empty again.
_ROUND = "papers taken in"
# Signs of a file's hash that tell it from another one. Our choice.
_SIGNS = 12


def table_flow(store: FarmStore, *, only: str = "") -> None:
    """A box for any table, and all that follows from it. `only` : the one kind that it may be."""
    upload = st.file_uploader(
        say("papers.box"), type=TABLE_TYPES, key=f"papers {only} {st.session_state.get(_ROUND, 0)}"
    )
    if upload is None:
        return
    file = hashlib.sha256(upload.getvalue()).hexdigest()[:_SIGNS]
    answers = answers_about(file, kind=only)
    with show.errors(), files.saved([upload]) as saved:
        preview = look_at(saved[0].path, store, answers, name=upload.name, today=session.today())
        _ask(preview, Asker(file, answers), store, only=only)
        if not _is_mine(preview):
            st.warning(say("papers.not_yours", kind=kind_words(preview.kind)))
            return
        _tell(preview)
        if _yes(preview):
            _take_in(saved[0], preview, answers, store)


def _is_mine(preview: Preview) -> bool:
    """Whether the visitor may bring it; of a table whose kind is not told, that it may yet be."""
    return not preview.kind or session.brings(preview.kind)


def _ask(preview: Preview, asker: Asker, store: FarmStore, *, only: str) -> None:
    asker.sheet(preview)
    if preview.read_from is None:
        return
    if not only:
        asker.kind(preview)
        if preview.kind:
            why_this_kind(preview)
    if not _is_mine(preview):
        return
    about_sheet(preview.read_from)
    found = preview.understood
    if found is None:
        return
    asker.columns_that_lack(found)
    with st.expander(say("papers.columns_head")):
        asker.columns(found)
    column_notes(found)
    asker.days(found.days.question)
    asker.inches(found)
    if BLOCK in found.kind.names.values() and not store.blocks() and found.names:
        st.warning(say("papers.no_blocks"))
    asker.names(found.names)
    asker.odd_counts(preview.odd_counts)
    asker.odd_tickets(preview.odd_tickets)
    asker.odd_blocks(preview.odd_blocks)


def _tell(preview: Preview) -> None:
    found = preview.understood
    if found is None:
        return
    understood_cells(found)
    if preview.must_ask:
        st.info(say("papers.answer_first"))
        return
    first_rows(preview)
    left_out(preview)


def _yes(preview: Preview) -> bool:
    """Whether somebody said yes just now; why nobody can, where that is so."""
    if preview.must_ask:
        return False
    if not preview.rows:
        st.warning(say("papers.no_row"))
        return False
    if preview.changes_nothing:
        st.success(say("papers.same_all"), icon=":material/check:")
        return False
    would_change(preview)
    return st.button(say("papers.take_in", n=preview.rows), type="primary")


def _take_in(file: NamedFile, preview: Preview, answers: Answers, store: FarmStore) -> None:
    taken = take_in(
        file.path,
        store,
        answers,
        who=session.person(),
        seen=preview.stamp,
        name=file.name,
        today=session.today(),
    )
    forget_answers()
    st.session_state[_ROUND] = st.session_state.get(_ROUND, 0) + 1
    words = say("papers.same_all")
    if taken.changed:
        words = say("papers.taken", file=file.name, n=preview.rows, kind=kind_words(preview.kind))
    # Some counts wait for photos before they enter a number.
    session.say_next(words, but=all_that_wait(store) if preview.kind == "hand_counts" else "")
    st.rerun()

"""What a person is asked about a table, and the answers so far."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from functools import partial
from typing import Any, cast

import streamlit as st

from app import session, show
from app.papers.words import (
    column_words,
    kind_words,
    lines_words,
    meant_words,
    plain_list,
    what_words,
)
from app.wording import day, number, say, sentence
from fruitvision.papers.answers import Answers, name_key
from fruitvision.papers.columns import ColumnSeen, Why
from fruitvision.papers.days import DayQuestion
from fruitvision.papers.kinds import KINDS
from fruitvision.papers.understand import NameQuestion, Understood
from fruitvision.pipeline.believable import OddBlock
from fruitvision.pipeline.odd_counts import OddCount
from fruitvision.pipeline.odd_tickets import OddTicket
from fruitvision.pipeline.paper_records import Preview

# Key of the session state: the answers about the file that lies in the box, and which file it is.
_ANSWERS = "paper answers"
# No option of a box has this name.
_OPEN = "\0"


def answers_about(file: str, *, kind: str = "") -> Answers:
    """The answers so far about a file; none about another one. `kind` : what it is for sure."""
    kept = st.session_state.get(_ANSWERS)
    found = cast("Answers", kept[1]) if kept and kept[0] == file else Answers()
    return replace(found, kind=kind) if kind else found


def forget_answers() -> None:
    """The table is in: the next one is asked about anew."""
    st.session_state.pop(_ANSWERS, None)


class Asker:
    """Boxes for questions; an answer draws the page anew with what follows from it.

    A box has its answer in its key: where another box changed that answer, it is drawn anew.
    """

    def __init__(self, file: str, answers: Answers) -> None:
        self._file, self._answers = file, answers

    def _answer(self, **fields: Any) -> None:
        st.session_state[_ANSWERS] = (self._file, replace(self._answers, **fields))

    def _key(self, *parts: object) -> str:
        return " ".join(map(str, ("paper", self._file, *parts)))

    def _changed(self, key: str, answer: Callable[[Any], None]) -> None:
        """Runs before the page is drawn anew."""
        found = st.session_state.get(key)
        if found is not None:
            answer(found)

    def _select(
        self,
        label: str,
        options: Sequence[str],
        chosen: str,
        words: Callable[[str], str],
        answer: Callable[[str], None],
        *,
        about: str,
        likely: Sequence[str] = (),
    ) -> None:
        """A box with one option chosen, or none where `chosen` is none of them."""
        key = self._key(about, chosen)
        st.selectbox(
            label,
            options,
            index=options.index(chosen) if chosen in options else None,
            format_func=words,
            placeholder=say("papers.choose_likely", names=", ".join(likely))
            if likely
            else say("papers.choose"),
            key=key,
            on_change=self._changed,
            args=(key, answer),
        )

    def _is_column(self, label: str, column: str) -> None:
        self._answer(columns={**self._answers.columns, label: column})

    # ------------------------------------------------------------ sheet and kind

    def sheet(self, preview: Preview) -> None:
        """Which sheet of a workbook that has several."""
        if len(preview.sheets) < 2:
            return
        # Another sheet is another table.
        self._select(
            say("papers.sheet"),
            preview.sheets,
            preview.sheet,
            str,
            lambda found: self._answer(**_fields(Answers(sheet=found))),
            about="sheet",
        )

    def kind(self, preview: Preview) -> None:
        """What the table is: the likeliest kinds first."""
        # One that the visitor may not bring is shown only where the table looks like it.
        likeliest = (preview.kind,) if preview.kind else ()
        mine = (kind for kind in (*preview.kinds, *KINDS) if session.brings(kind))
        options = tuple(dict.fromkeys((*likeliest, *mine)))
        self._select(
            say("papers.what_is_it"),
            options,
            preview.kind,
            kind_words,
            lambda kind: self._answer(kind=kind, columns={}, names={}, odd_lines=frozenset()),
            about=f"kind {preview.sheet}",
        )

    # ------------------------------------------------------------ columns

    def columns_that_lack(self, found: Understood) -> None:
        """Which column is the one that must be there."""
        labels = [one.label for one in found.columns if not one.column and not one.choices]
        samples = {one.label: one.sample for one in found.columns}
        for column in found.lacking:
            self._select(
                say("papers.column_lacks", column=column_words(column)),
                labels,
                _OPEN,
                lambda one: _label_words(one, samples[one]),
                partial(self._is_lacking, column),
                about=f"lacks {column} {sorted(self._answers.columns.items())}",
            )
        for one in found.columns:
            if one.choices:
                self._unit(one)

    def _is_lacking(self, column: str, label: str) -> None:
        self._is_column(label, column)

    def _unit(self, one: ColumnSeen) -> None:
        self._select(
            say(
                "papers.column_unit",
                label=show.plain(one.label),
                sample=show.plain(one.sample) or "–",
            ),
            one.choices,
            _OPEN,
            column_words,
            partial(self._is_column, one.label),
            about=f"unit {one.label}",
        )

    def columns(self, found: Understood) -> None:
        """What each column is, to be put right where it is wrong."""
        options = ("", *found.kind.columns)
        for one in found.columns:
            if not one.choices:
                self._select(
                    show.plain(_label_words(one.label, one.sample)),
                    options,
                    one.column,
                    column_words,
                    partial(self._is_column, one.label),
                    about=f"column {found.kind.name} {one.label}",
                )

    # ------------------------------------------------------------ cells

    def days(self, question: DayQuestion | None) -> None:
        """How the dates of the file are read."""
        if question is None:
            return
        readings = {
            order: say(
                "papers.day_reading",
                order=say(f"papers.day_order_{order.name.lower()}"),
                day=day(found) if found else say("papers.day_none"),
            )
            for order, found in question.readings
        }
        orders = [order for order, _ in question.readings]
        now = self._answers.day_order
        key = self._key("days", now)
        st.radio(
            say("papers.day_question", shown=show.plain(question.shown)),
            orders,
            index=orders.index(now) if now in orders else None,
            format_func=readings.__getitem__,
            key=key,
            on_change=self._changed,
            args=(key, lambda order: self._answer(day_order=order)),
        )

    def inches(self, found: Understood) -> None:
        """Whether small numbers among millimetres are inches."""
        if not found.inch_cells:
            return
        cells = [
            say(
                "papers.inches_cell",
                line=str(one.line),
                typed=show.plain(one.typed),
                mm=number(one.mm, 1),
            )
            for one in found.inch_cells
        ]
        more = len(cells) - 4
        told = "; ".join(cells[:4] + [say("papers.more", n=more)] * (more > 0))
        now = self._answers.inches
        key = self._key("inches", now)
        st.radio(
            say("papers.inches_ask", cells=told),
            [True, False],
            index=None if now is None else [True, False].index(now),
            format_func=lambda yes: say("papers.inches_yes" if yes else "papers.inches_no"),
            key=key,
            on_change=self._changed,
            args=(key, lambda yes: self._answer(inches=yes)),
        )

    # ------------------------------------------------------------ names

    def names(self, questions: Sequence[NameQuestion]) -> None:
        """What each name that is not known means."""
        if not questions:
            return
        st.subheader(say("papers.names_head"))
        st.write(say("papers.names_words"))
        for one in questions:
            self._name(one)

    def _name(self, one: NameQuestion) -> None:
        key = one.what, name_key(one.written)
        stays = (one.written,) if one.may_stay else ()
        options = ("", *dict.fromkeys((*one.proposed, *stays, *one.choices)))

        def words(name: str) -> str:
            if not name:
                return say("papers.name_out")
            if name == one.written and one.may_stay:
                return say("papers.name_stays", name=name)
            return meant_words(one.what, name)

        def answer(chosen: str) -> None:
            rest = {name: meant for name, meant in self._answers.names.items() if name != key}
            self._answer(names={**rest, key: chosen} if chosen else rest)

        self._select(
            say(
                "papers.name_ask",
                what=what_words(one.what),
                written=show.plain(one.written),
                n=len(one.lines),
                lines=lines_words(one.lines),
            ),
            options,
            # Nothing is chosen while nobody said anything.
            one.meant or _OPEN,
            words,
            answer,
            about=f"name {key}",
            likely=[meant_words(one.what, name) for name in one.proposed[:1]],
        )

    # ------------------------------------------------------------ counts that look like slips

    def odd_counts(self, counts: Sequence[OddCount]) -> None:
        """Whether each count that looks like a slip is meant."""
        for one in counts:
            tree = say(
                "papers.tree",
                block=show.plain(one.tree.block_id),
                row=str(one.tree.row),
                position=str(one.tree.position),
            )
            key = self._key("odd", one.line, one.meant)
            if one.faces:
                shown = " + ".join(number(seen) for seen in one.faces)
                tree = say("papers.odd_tree_seen", tree=tree, faces=shown)
            st.checkbox(
                say("papers.odd_ask", line=str(one.line), fruit=one.fruit_count, tree=tree),
                value=one.meant,
                key=key,
                on_change=self._changed,
                args=(key, partial(self._is_meant, one.line)),
            )

    def odd_tickets(self, tickets: Sequence[OddTicket]) -> None:
        """Whether each ticket that can hardly be meant is."""
        for one in tickets:
            key = self._key("odd", one.line, one.meant)
            st.checkbox(
                say(
                    "papers.ticket_ask",
                    line=str(one.line),
                    ticket=show.plain(one.ticket.ticket),
                    bins=number(one.ticket.bins, 1),
                    block=show.plain(one.ticket.block_id),
                    why=show.plain(sentence(one.why)),
                ),
                value=one.meant,
                key=key,
                on_change=self._changed,
                args=(key, partial(self._is_meant, one.line)),
            )

    def odd_blocks(self, rows: Sequence[OddBlock]) -> None:
        """Whether each row on a block that is hardly meant is."""
        for one in rows:
            key = self._key("odd", one.line, one.meant)
            why = show.plain(sentence(one.why))
            st.checkbox(
                say("papers.block_ask", line=str(one.line), why=why),
                value=one.meant,
                key=key,
                on_change=self._changed,
                args=(key, partial(self._is_meant, one.line)),
            )

    def _is_meant(self, line: int, meant: bool) -> None:
        lines = self._answers.odd_lines
        self._answer(odd_lines=lines | {line} if meant else lines - {line})


def _fields(answers: Answers) -> dict[str, Any]:
    return {field.name: getattr(answers, field.name) for field in fields(answers)}


def _label_words(label: str, sample: str) -> str:
    return say("papers.column_is", label=label, sample=sample) if sample else label


def column_notes(found: Understood) -> None:
    """Columns that are not used, and those that were told before."""
    twice = [one.label for one in found.columns if one.why is Why.TWICE]
    unused = [one.label for one in found.columns if not one.column and not one.choices]
    said = next((one.said for one in found.columns if one.said is not None), None)
    if said is not None:
        st.caption(say("papers.columns_said", day=day(said.at.date())))
    if twice:
        st.caption(say("papers.columns_twice", labels=plain_list(twice)))
    rest = [label for label in unused if label not in twice]
    if rest:
        st.caption(say("papers.columns_unused", labels=plain_list(rest)))

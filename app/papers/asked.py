"""What a person is asked about a table, and the answers so far."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, cast

import streamlit as st

from app import show
from app.papers.words import (
    column_words,
    kind_words,
    lines_words,
    meant_words,
    plain_list,
    what_words,
)
from app.wording import day, number, say
from fruitvision.papers.answers import Answers, name_key
from fruitvision.papers.columns import ColumnSeen, Why
from fruitvision.papers.days import DayQuestion
from fruitvision.papers.kinds import KINDS
from fruitvision.papers.understand import NameQuestion, Understood
from fruitvision.pipeline.odd_counts import OddCount
from fruitvision.pipeline.paper_records import Preview

# Key of the session state: the answers about the file that lies in the box, and which file it is.
_ANSWERS = "paper answers"


def answers_about(file: str) -> Answers:
    """The answers so far about a file; none about another one."""
    kept = st.session_state.get(_ANSWERS)
    return cast("Answers", kept[1]) if kept and kept[0] == file else Answers()


def forget_answers() -> None:
    """The table is in: the next one is asked about anew."""
    st.session_state.pop(_ANSWERS, None)


class Asker:
    """Boxes for questions; an answer draws the page anew with what follows from it."""

    def __init__(self, file: str, answers: Answers) -> None:
        self._file, self._answers = file, answers

    def _answer(self, **fields: Any) -> None:
        st.session_state[_ANSWERS] = (self._file, replace(self._answers, **fields))
        st.rerun()

    def _select(
        self,
        label: str,
        options: Sequence[str],
        chosen: str,
        words: Callable[[str], str],
        key: str,
    ) -> str | None:
        """The option that was chosen just now; None while it is as it was.

        A box has its answer in its key: where another box changed that answer, it is drawn anew.
        """
        found = st.selectbox(
            label,
            options,
            index=options.index(chosen) if chosen in options else None,
            format_func=words,
            placeholder=say("papers.choose"),
            key=f"paper {self._file} {key} {chosen}",
        )
        return found if found is not None and found != chosen else None

    # ------------------------------------------------------------ sheet and kind

    def sheet(self, preview: Preview) -> None:
        """Which sheet of a workbook that has several."""
        if len(preview.sheets) < 2:
            return
        found = self._select(say("papers.sheet"), preview.sheets, preview.sheet, str, "sheet")
        if found is not None:
            # Another sheet is another table.
            st.session_state[_ANSWERS] = (self._file, Answers(sheet=found))
            st.rerun()

    def kind(self, preview: Preview) -> None:
        """What the table is: the likeliest kinds first."""
        options = tuple(dict.fromkeys((*preview.kinds, *KINDS)))
        found = self._select(
            say("papers.what_is_it"), options, preview.kind, kind_words, f"kind {preview.sheet}"
        )
        if found is not None:
            self._answer(kind=found, columns={}, names={}, odd_lines=frozenset())

    # ------------------------------------------------------------ columns

    def columns_that_lack(self, found: Understood) -> None:
        """Which column is the one that must be there."""
        labels = [one.label for one in found.columns if not one.column and not one.choices]
        samples = {one.label: one.sample for one in found.columns}
        for column in found.lacking:
            label = self._select(
                say("papers.column_lacks", column=column_words(column)),
                labels,
                "",
                lambda one: _label_words(one, samples[one]),
                f"lacks {column} {sorted(self._answers.columns.items())}",
            )
            if label is not None:
                self._answer(columns={**self._answers.columns, label: column})
        for one in found.columns:
            if one.choices:
                self._unit(one)

    def _unit(self, one: ColumnSeen) -> None:
        chosen = self._select(
            say(
                "papers.column_unit",
                label=show.plain(one.label),
                sample=show.plain(one.sample) or "–",
            ),
            one.choices,
            "",
            column_words,
            f"unit {one.label}",
        )
        if chosen is not None:
            self._answer(columns={**self._answers.columns, one.label: chosen})

    def columns(self, found: Understood) -> None:
        """What each column is, to be put right where it is wrong."""
        options = ("", *found.kind.columns)
        for one in found.columns:
            if one.choices:
                continue
            chosen = self._select(
                _label_words(one.label, one.sample),
                options,
                one.column,
                column_words,
                f"column {found.kind.name} {one.label}",
            )
            if chosen is not None:
                self._answer(columns={**self._answers.columns, one.label: chosen})

    # ------------------------------------------------------------ cells

    def days(self, question: DayQuestion | None) -> None:
        """How the dates of the file are read."""
        if question is None:
            return
        readings = {
            order: f"{say(f'papers.day_order_{order.name.lower()}')}: "
            f"{day(found) if found else say('papers.day_none')}"
            for order, found in question.readings
        }
        orders = [order for order, _ in question.readings]
        now = self._answers.day_order
        chosen = st.radio(
            say("papers.day_question", shown=show.plain(question.shown)),
            orders,
            index=orders.index(now) if now in orders else None,
            format_func=readings.__getitem__,
            key=f"paper {self._file} days {now}",
        )
        if chosen is not None and chosen != now:
            self._answer(day_order=chosen)

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
        chosen = st.radio(
            say("papers.inches_ask", cells=told),
            [True, False],
            index=None if now is None else [True, False].index(now),
            format_func=lambda yes: say("papers.inches_yes" if yes else "papers.inches_no"),
            key=f"paper {self._file} inches {now}",
        )
        if chosen is not None and chosen != now:
            self._answer(inches=chosen)

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

        chosen = self._select(
            say(
                "papers.name_ask",
                what=what_words(one.what),
                written=show.plain(one.written),
                n=len(one.lines),
                lines=lines_words(one.lines),
            ),
            options,
            one.meant,
            words,
            f"name {key}",
        )
        if chosen is not None:
            rest = {name: meant for name, meant in self._answers.names.items() if name != key}
            self._answer(names={**rest, key: chosen} if chosen else rest)

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
            meant = st.checkbox(
                say("papers.odd_ask", line=str(one.line), fruit=one.fruit_count, tree=tree),
                value=one.meant,
                key=f"paper {self._file} odd {one.line} {one.meant}",
            )
            if meant != one.meant:
                self._answer(odd_lines=self._answers.odd_lines ^ {one.line})


def _label_words(label: str, sample: str) -> str:
    if not sample:
        return show.plain(label)
    return say("papers.column_is", label=show.plain(label), sample=show.plain(sample))


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

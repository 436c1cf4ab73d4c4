"""Which column of a table each header means, and which unit its numbers have."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median

from fruitvision.domain import NameMapping
from fruitvision.errors import FieldDataError
from fruitvision.papers.answers import Answers, Remembered, columns_from_text, header_key
from fruitvision.papers.kinds import PaperKind, meant_by
from fruitvision.papers.measures import MEASURES, Measure, measure_of
from fruitvision.papers.sheets import Heading
from fruitvision.papers.words import plain
from fruitvision.units import parse_number


class Why(StrEnum):
    """Why a column is what it is."""

    NAME = "name"
    WORD = "word"
    NUMBERS = "numbers"
    ANSWER = "answer"
    BEFORE = "before"
    UNUSED = "unused"
    TWICE = "twice"
    ASKED = "asked"


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnSeen:
    """What stands over a column, and what that was understood as.

    Attributes
    ----------
    column : str
        The farm's column; empty while it is not used, or asked.
    unit : str
        Sign of the unit of numbers without one; empty for what is not measured.
    choices : tuple of str
        Columns of which a person must choose one, since the numbers fit both.
    said : NameMapping or None
        Who said so before.
    sample : str
        The first filled cell below.
    """

    label: str
    column: str = ""
    unit: str = ""
    why: Why = Why.UNUSED
    choices: tuple[str, ...] = ()
    said: NameMapping | None = None
    sample: str = ""


def columns_seen(
    heading: Heading, kind: PaperKind, answers: Answers, before: Remembered
) -> tuple[ColumnSeen, ...]:
    """Every column of a table: as a person says now, said before, or as it is called.

    Of two columns that are called alike the first counts, unless a person says otherwise.
    """
    kept = before.columns.get((kind.name, header_key(heading.labels)))
    said = columns_from_text(kept.meant) if kept else {}
    seen = [
        _seen(number, label, heading, kind, answers.columns, said, kept)
        for number, label in enumerate(heading.labels)
    ]
    chosen = {one.column for one in seen if one.why in (Why.ANSWER, Why.BEFORE)}
    taken: set[str] = set()
    found = []
    for one in seen:
        by_person = one.why in (Why.ANSWER, Why.BEFORE)
        names = {one.column, *one.choices} - {""}
        if names & taken or (names & chosen and not by_person):
            found.append(replace(one, column="", choices=(), why=Why.TWICE))
            continue
        taken |= names
        found.append(one)
    return tuple(found)


def _seen(
    number: int,
    label: str,
    heading: Heading,
    kind: PaperKind,
    answers: Mapping[str, str],
    said: Mapping[str, str],
    kept: NameMapping | None,
) -> ColumnSeen:
    cells = [cells[number] for _, cells in heading.rows if number < len(cells) and cells[number]]
    bare = ColumnSeen(label=label, sample=cells[0] if cells else "")
    for source, why in ((answers, Why.ANSWER), (said, Why.BEFORE)):
        if label in source and source[label] in ("", *kind.columns):
            column = source[label]
            measure = measure_of(column)
            return replace(
                bare,
                column=column,
                why=why,
                unit=measure.unit_of(column) if measure else "",
                said=kept if why is Why.BEFORE else None,
            )
    column, unit = meant_by(heading.written[number], kind)
    if column in MEASURES:
        return _by_numbers(bare, MEASURES[column], cells)
    if not column:
        return bare
    exact = "_".join(plain(heading.written[number]).split()) == column
    return replace(bare, column=column, unit=unit, why=Why.NAME if exact else Why.WORD)


def _by_numbers(bare: ColumnSeen, measure: Measure, cells: Sequence[str]) -> ColumnSeen:
    """A column of a measure without a unit: told by its numbers, or asked.

    Cells that have a unit of their own don't count.
    """
    numbers = [value for cell in cells if (value := number_in(cell)) is not None]
    sure = measure.sure_from
    if not numbers or (sure is not None and median(numbers) >= sure):
        return replace(bare, column=measure.metric, unit=measure.unit, why=Why.NUMBERS)
    return replace(bare, choices=measure.columns, why=Why.ASKED)


def number_in(cell: str) -> float | None:
    """The number in a cell that holds nothing else; None if it holds something else."""
    try:
        return parse_number(cell)
    except FieldDataError:
        return None

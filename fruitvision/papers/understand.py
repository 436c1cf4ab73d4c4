"""A table of any form as one that the farm's readers understand, and what must be asked first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from fruitvision.csv_file import CsvFile, CsvRow
from fruitvision.domain import NameMapping
from fruitvision.papers.answers import Answers, Remembered, name_key
from fruitvision.papers.cells import CellReader, Converted, InchCell
from fruitvision.papers.columns import ColumnSeen, columns_seen
from fruitvision.papers.days import DayOrders, day_orders, sure_day
from fruitvision.papers.kinds import CLASSES, FEW_WORDS, GRADE, SIZE_CLASS, PaperKind
from fruitvision.papers.names import proposed_names, same_name
from fruitvision.papers.sheets import Heading
from fruitvision.papers.words import plain, values_called

# Columns in which a name that the farm does not know may stay as it is, if a person says so.
MAY_STAY = frozenset(
    {
        ("weighed", "variety"),
        ("culls", "size_class"),
        ("grades", "size_class"),
        ("packed", "grade"),
        ("prices", "grade"),
    }
)

Known = Mapping[str, Sequence[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class NameQuestion:
    """A name that the farm does not know: where it stands, what it may mean, the likeliest first.

    `choices` : all that it may mean. `may_stay` : whether it may also stay as it is written.
    `meant` : what the person says now; empty while it is open.
    """

    what: str
    written: str
    lines: tuple[int, ...]
    proposed: tuple[str, ...]
    choices: tuple[str, ...]
    may_stay: bool = False
    meant: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NameUsed:
    """A name that stands for another: what a person said, or one that differs in signs only.

    `said` : who said so before; None if it was said now or needs no saying.
    """

    what: str
    written: str
    meant: str
    said: NameMapping | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """A table that was understood as far as it can be without asking.

    Attributes
    ----------
    table : CsvFile
        The rows for the reader of this kind; those with a name that is not known are not in it.
    lacking : tuple of str
        Columns that must be there and are not.
    inches : bool or None
        Whether cells that look like inches were taken so; None: nobody said.
    held_back : tuple of int
        Lines of a lot of which another line stays out since a name in it is not known.
    """

    kind: PaperKind
    columns: tuple[ColumnSeen, ...]
    table: CsvFile
    lacking: tuple[str, ...]
    days: DayOrders
    inch_cells: tuple[InchCell, ...]
    inches: bool | None
    converted: tuple[Converted, ...]
    names: tuple[NameQuestion, ...]
    names_used: tuple[NameUsed, ...]
    held_back: tuple[int, ...] = ()

    @property
    def must_ask(self) -> bool:
        """Whether nothing can go in before a person has answered."""
        asked = any(column.choices for column in self.columns)
        days = self.days.question is not None and self.days.order is None
        return bool(self.lacking or asked or days)

    @property
    def names_asked(self) -> tuple[NameQuestion, ...]:
        """Names of which nobody said what they mean."""
        return tuple(one for one in self.names if not one.meant)

    @property
    def rows_out(self) -> int:
        """Rows that stay out since a name in them is not known."""
        out = {line for one in self.names_asked for line in one.lines}
        return len(out.union(self.held_back))


def understand(
    heading: Heading,
    kind: PaperKind,
    *,
    file: str,
    answers: Answers,
    known: Known,
    before: Remembered,
) -> Understood:
    """What a table says, in the columns of its kind.

    Parameters
    ----------
    file : str
        Its name, for what is refused of it.
    known : mapping of str to sequence of str
        The farm's names by their kind.
    """
    seen = columns_seen(heading, kind, answers, before)
    used = [(number, one) for number, one in enumerate(seen) if one.column]
    days = _days(heading, kind, seen, answers)
    cells = CellReader(
        kind=kind, day_order=days.order, inches=answers.inches, converted=[], inch_cells=[]
    )
    names = _Names(kind, answers, known, before)
    rows = []
    broken: set[str] = set()
    for line, row in heading.rows:
        read = {
            one.column: cells.read(row[number] if number < len(row) else "", one, line)
            for number, one in used
        }
        if names.in_row(read, line):
            beyond = tuple(filter(None, row[len(heading.labels) :]))
            rows.append(CsvRow(line=line, cells=read, beyond=beyond))
        elif kind.whole:
            broken.add(read.get(kind.whole, ""))
    held = {row.line for row in rows if broken and row.text(kind.whole) in broken}
    columns = tuple(one.column for _, one in used)
    asked = {column for one in seen for column in one.choices}
    return Understood(
        kind=kind,
        columns=seen,
        table=CsvFile(
            name=file, columns=columns, rows=tuple(row for row in rows if row.line not in held)
        ),
        held_back=tuple(sorted(held)),
        lacking=kind.lacking({*columns, *asked}),
        days=days,
        inch_cells=tuple(cells.inch_cells),
        inches=answers.inches,
        converted=tuple(cells.converted),
        names=names.questions(),
        names_used=tuple(names.used.values()),
    )


def _days(
    heading: Heading, kind: PaperKind, seen: Sequence[ColumnSeen], answers: Answers
) -> DayOrders:
    """How all dates of the table are read; a person's word counts before what they tell."""
    texts = [
        row[number]
        for number, one in enumerate(seen)
        if one.column in kind.days
        for _, row in heading.rows
        if number < len(row) and sure_day(row[number]) is None
    ]
    found = day_orders(texts)
    if found.question is not None and answers.day_order is not None:
        return replace(found, order=answers.day_order)
    return found


class _Names:
    """Puts known names in the place of those that are written, and notes those that it can't."""

    def __init__(self, kind: PaperKind, answers: Answers, known: Known, before: Remembered) -> None:
        self._kind, self._answers, self._known, self._before = kind, answers, known, before
        self._asked: dict[tuple[str, str], list[int]] = {}
        self._meanings: dict[tuple[str, str], str] = {}
        self.used: dict[tuple[str, str], NameUsed] = {}

    def in_row(self, cells: dict[str, str], line: int) -> bool:
        """Change the names of a row; false if one of them is not known."""
        whole = True
        for column in self._kind.names:
            written = cells.get(column, "")
            if written:
                meant = self._meant(column, written)
                if meant is None or (column, written) in self._meanings:
                    self._asked.setdefault((column, written), []).append(line)
                if meant is None:
                    whole = False
                else:
                    cells[column] = meant
        return whole

    def _meant(self, column: str, written: str) -> str | None:
        what = self._kind.names[column]
        known = self._names(what)
        if written in known:
            return written
        key = what, name_key(written)
        now, said = self._answers.names.get(key), self._before.names.get(key)
        meant = now or (said.meant if said else "")
        if meant in known or (meant and self._may_stay(column)):
            self.used[key] = NameUsed(
                what=what, written=written, meant=meant, said=None if now else said
            )
            if now:
                self._meanings[column, written] = now
            return meant
        if what in FEW_WORDS or what == CLASSES:
            found = values_called(what).get(plain(written))
        else:
            found = same_name(written, known)
            if found is not None and found != written:
                self.used[key] = NameUsed(what=what, written=written, meant=found)
        free = column in self._kind.new_names or (not known and what in (GRADE, SIZE_CLASS))
        if found is None and free:
            return written
        return found

    def _names(self, what: str) -> Sequence[str]:
        return FEW_WORDS.get(what) or self._known.get(what, ())

    def _may_stay(self, column: str) -> bool:
        return (self._kind.name, column) in MAY_STAY

    def questions(self) -> tuple[NameQuestion, ...]:
        """A question for each name that is not known, with the answer where there is one."""
        return tuple(
            NameQuestion(
                what=self._kind.names[column],
                written=written,
                lines=tuple(lines),
                proposed=proposed_names(written, self._names(self._kind.names[column])),
                choices=tuple(self._names(self._kind.names[column])),
                may_stay=self._may_stay(column),
                meant=self._meanings.get((column, written), ""),
            )
            for (column, written), lines in self._asked.items()
        )

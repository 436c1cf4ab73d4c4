"""What a person said about a table, now or earlier, and what the farm knows by name."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from fruitvision.domain import NameMapping
from fruitvision.papers.days import DayOrder
from fruitvision.papers.kinds import KINDS

# Kinds of what is remembered beside names: what a table is, by its header, and its columns.
TABLES = "table"
# A header is remembered by so many letters of it. Our choice: far more than tables have.
LONGEST_HEADER = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """Answers to the questions of a table; what is left out is not answered.

    Attributes
    ----------
    sheet, kind : str
        Which sheet of the workbook, and what kind of table it is.
    columns : mapping of str to str
        Column that a header means; empty: the column is not used.
    day_order : DayOrder or None
        How its dates are read.
    inches : bool or None
        Whether cells among millimetres that look like inches are inches.
    names : mapping of (str, str) to str
        What a name means, by its kind and its letters as `name_key` gives them.
    odd_lines : frozenset of int
        Lines whose hand count or ticket is meant although it looks like a slip.
    """

    sheet: str = ""
    kind: str = ""
    columns: Mapping[str, str] = field(default_factory=dict)
    day_order: DayOrder | None = None
    inches: bool | None = None
    names: Mapping[tuple[str, str], str] = field(default_factory=dict)
    odd_lines: frozenset[int] = frozenset()


def name_key(written: str) -> str:
    """A name for looking it up: small letters, single spaces."""
    return " ".join(written.casefold().split())


@dataclass(frozen=True, slots=True, kw_only=True)
class Remembered:
    """What was said of names, columns and kinds before.

    `columns` : by kind of table and header. Each with who said it, and when.
    """

    names: Mapping[tuple[str, str], NameMapping] = field(default_factory=dict)
    kinds: Mapping[str, NameMapping] = field(default_factory=dict)
    columns: Mapping[tuple[str, str], NameMapping] = field(default_factory=dict)


def remembered(mappings: Sequence[NameMapping]) -> Remembered:
    """What was said before, sorted by what it is of."""
    names, kinds, columns = {}, {}, {}
    for one in mappings:
        of_columns = one.kind.removeprefix(f"{TABLES} ")
        if one.kind == TABLES:
            kinds[one.written] = one
        elif of_columns != one.kind:
            columns[of_columns, one.written] = one
        else:
            names[one.kind, name_key(one.written)] = one
    return Remembered(names=names, kinds=kinds, columns=columns)


def header_key(labels: Sequence[str]) -> str:
    """A header for looking it up."""
    return " | ".join(labels)[:LONGEST_HEADER]


def columns_kind(kind: str) -> str:
    """Under which kind the columns of a kind of table are remembered."""
    return f"{TABLES} {kind}"


def columns_to_text(columns: Mapping[str, str]) -> str:
    """Columns by header as the store keeps them."""
    return json.dumps(dict(columns), ensure_ascii=False, sort_keys=True)


def columns_from_text(text: str) -> Mapping[str, str]:
    """Columns by header; none of what is not understood."""
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    pairs = found.items() if isinstance(found, dict) else ()
    return {name: column for name, column in pairs if isinstance(column, str)}


def remembered_kind(labels: Sequence[str], before: Remembered) -> NameMapping | None:
    """What a table with this header was said to be."""
    found = before.kinds.get(header_key(labels))
    return found if found is not None and found.meant in KINDS else None

"""Words for columns, kinds, names and things of a table."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from datetime import date

from app import changes, show
from app.wording import day, language, number, say, texts
from fruitvision.domain import FieldChange, Protocol
from fruitvision.papers.answers import TABLES
from fruitvision.papers.kinds import FEW_WORDS, PROTOCOL
from fruitvision.pipeline.paper_records import ThingSeen

# Lines that are named where many have the same fault. Our choice: a line of a phone.
NAMED = 6


def kind_words(kind: str) -> str:
    """What a kind of table is called."""
    return say(f"papers.kind_{kind}")


def column_words(column: str) -> str:
    """What a column of the farm is called, with its unit; `not used` for none."""
    return say(f"papers.column_{column}") if column else say("papers.not_used")


def what_words(what: str) -> str:
    """Of what a name is the name."""
    if what.startswith(f"{TABLES} "):
        return say("papers.what_columns")
    return say(f"papers.what_{what}")


def meant_words(what: str, meant: str) -> str:
    """A name of the farm as it is; one of few words in the visitor's language."""
    if what == PROTOCOL:
        return say(f"forms.protocol_{Protocol(meant).name.lower()}")
    return say(f"papers.value_{meant}") if what in FEW_WORDS else meant


def lines_words(lines: Sequence[int]) -> str:
    """`4, 7, 9`, and how many more."""
    told = ", ".join(str(line) for line in lines[:NAMED])
    more = len(lines) - NAMED
    return f"{told}, {say('papers.more', n=more)}" if more > 0 else told


def thing_words(one: ThingSeen) -> str:
    """The name of a thing, and from what to what its fields change."""
    name = ", ".join(filter(None, map(_part_words, one.key)))
    if not one.fields:
        return name
    return say("papers.change_line", thing=name, fields="; ".join(map(_field_words, one.fields)))


def _part_words(part: Hashable) -> str:
    if isinstance(part, date):
        return day(part)
    if isinstance(part, Protocol):
        return meant_words(PROTOCOL, part.value)
    # Whether an order is firm tells nobody which one it is.
    return "" if isinstance(part, bool) else str(part)


def _field_words(one: FieldChange) -> str:
    return say(
        "papers.change_field",
        field=_field_name(one.name),
        before=_value_words(one.name, one.before),
        after=_value_words(one.name, one.after),
    )


def _field_name(name: str) -> str:
    column = {"block_id": "block", "pass_number": "pass", "value": "bins"}.get(name, name)
    return (
        column_words(column)
        if f"column_{column}" in texts(language(), "papers")
        else (changes.field_words(name))
    )


def _value_words(name: str, value: object) -> str:
    """A value for a change; one that is a list of its own is not spelt out."""
    if isinstance(value, list | tuple | dict):
        return f"({number(len(value))})"
    if isinstance(value, bool) or value is None or value == "":
        return "–"
    if isinstance(value, int | float):
        return number(value, 0 if float(value).is_integer() else 2)
    text = str(value)
    if f"value_{text}" in texts(language(), "papers"):
        return say(f"papers.value_{text}")
    return changes.value_words(name, value) if name in ("pick_date", "counted_on") else text


def plain_list(words: Sequence[str]) -> str:
    """Words of a file or a farm, letter by letter."""
    return ", ".join(map(show.plain, words))

"""Two people's changes of one thing, put together field by field where they don't meet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fruitvision.domain import FieldChange, differing

Fields = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """What is to be kept, and the fields that both changed: theirs before, mine after.

    In `fields` mine stand for those. None: the thing is to be taken out.
    """

    fields: Fields | None
    clashes: tuple[FieldChange, ...] = ()


def merge(seen: Fields | None, mine: Fields | None, theirs: Fields | None) -> Merged:
    """Put my change of what I saw on top of what others made of it meanwhile.

    Parameters
    ----------
    seen : dict or None
        Fields as they were when I started; None if I saw nothing there.
    mine : dict or None
        Fields as I want them; None to take the thing out.
    theirs : dict or None
        Fields as they are kept now.
    """
    if theirs in (seen, mine):
        return Merged(fields=mine)
    if mine is None or theirs is None:
        return Merged(fields=mine, clashes=differing(theirs or {}, mine or {}))
    if seen is None:
        # A form that starts empty: what is left empty was not meant to be wiped out.
        mine = {
            name: theirs.get(name) if value in (None, "") else value for name, value in mine.items()
        }
        return Merged(fields=mine, clashes=differing(theirs, mine))
    result, clashes = dict(theirs), []
    for name, value in mine.items():
        if value == seen.get(name):
            continue
        if theirs.get(name) not in (seen.get(name), value):
            clashes.append(FieldChange(name=name, before=theirs.get(name), after=value))
        result[name] = value
    return Merged(fields=result, clashes=tuple(clashes))

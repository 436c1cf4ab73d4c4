"""Who changed what, and two changes that don't agree."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Generic, TypeVar

Thing = TypeVar("Thing")
# A value of a field as a document holds it: text, number, list, yes or no, None.
Plain = object


class ThingKind(StrEnum):
    """What people change on a farm."""

    FARM = "farm"
    BLOCK = "block"
    HAND_COUNT = "hand count"
    CALIPERS = "calipers"
    PICK_PLAN = "pick plan"
    COLD_ROOM = "cold room"
    # A pass through a block: whether it is finished.
    PASS = "pass"  # noqa: S105
    # What is still to come of a block, by its bin tickets and those of its like.
    HARVEST_REST = "harvest rest"
    # A table of the office, whole: its name, and how many rows of it went in.
    TABLE = "table"
    # A season that was taken off: its year, and how much of it there was.
    SEASON = "season"
    # What a season did to a block that bins and lots can't tell.
    SEASON_NOTE = "season note"
    # A correction learned of past seasons: whether it is used.
    LEARNED = "learned"
    # A place of a walk: whether it is to be counted by hand.
    WALK = "walk"
    # What a walk found at a place.
    PLACE = "place"
    # Things of known size that somebody pointed at in a photo.
    REFERENCES = "references"
    # The calibration of a phone's lens.
    LENS = "lens"
    # Who may sign in, and what for; never a password.
    ACCOUNT = "account"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldChange:
    """One field of a thing with two values; None where it has none."""

    name: str
    before: Plain
    after: Plain


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One entry or correction: who made it, when (UTC), of what.

    `about` names the thing among those of its kind. `before` and `after` are its fields; None where
    it was not there before, or is gone.
    """

    number: int
    at: datetime
    who: str
    kind: ThingKind
    about: str
    before: Mapping[str, Plain] | None
    after: Mapping[str, Plain] | None

    @property
    def fields(self) -> tuple[FieldChange, ...]:
        """The fields that differ, in their order."""
        return differing(self.before or {}, self.after or {})


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict(Generic[Thing]):
    """Two people changed the same fields of one thing.

    `theirs` is what is kept now, None if they took it out; `mine` what was to be saved, with their
    other fields in it. `fields` : those that both changed, theirs before, mine after. `who`, `at` :
    of their change, where it is known.
    """

    kind: ThingKind
    about: str
    theirs: Thing | None
    mine: Thing | None
    fields: tuple[FieldChange, ...]
    who: str = ""
    at: datetime | None = None


def differing(before: Mapping[str, Plain], after: Mapping[str, Plain]) -> tuple[FieldChange, ...]:
    """Fields whose values are not the same in both."""
    return tuple(
        FieldChange(name=name, before=before.get(name), after=after.get(name))
        for name in dict.fromkeys((*before, *after))
        if before.get(name) != after.get(name)
    )

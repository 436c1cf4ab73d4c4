"""Who changed what on a farm, all of it, as lines to read and to keep.

Changes, edits of photos, frozen versions, work that was asked for and tries to sign in lie in
places of their own; here they are one list. This program changes nothing of it, and only a season
that is deleted for good takes lines off, which leaves one that says who did it:
`tests/test_trust_trail.py` holds that. Whoever may write to the database itself still can.

CHANGES.csv
    at_utc, who, what, about, field, before, after, kept_as: a row for each field that changed.
    `kept_as` names the row that it is kept in, such as "change 12". Numbers of a kind rise with
    time, whatever the computer's clock said.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from fruitvision.accounts.sign_ins import SIGN_INS_NAME, Outcome, SignIn, sign_ins
from fruitvision.domain import Change, FrozenForecast, Job, PhotoEdit
from fruitvision.export.csv_text import csv_bytes
from fruitvision.export.words import save
from fruitvision.records import to_plain
from fruitvision.store import Store

COLUMNS = ("at_utc", "who", "what", "about", "field", "before", "after", "kept_as")


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldLine:
    """A field with what it was and what it became, as text; empty where there was nothing."""

    field: str
    before: str
    after: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrailLine:
    """One act of a person: when (UTC), who (empty if nobody wrote a name), on which thing."""

    at: datetime
    who: str
    what: str
    about: str
    fields: tuple[FieldLine, ...]
    kept_as: str


def trail(store: Store, *, who: str = "", since: datetime | None = None) -> tuple[TrailLine, ...]:
    """All that people changed, the latest first; by one person, or from a moment on.

    Parameters
    ----------
    who : str
        A name as it stands beside entries, in capitals or not; empty for everybody.
    """
    found = (
        *map(_of_change, store.changes()),
        *_of_edits(store.photo_edits_of()),
        *map(_of_frozen, reversed(store.frozen_forecasts())),
        *map(_of_job, store.jobs()),
        *map(_of_sign_in, reversed(tuple(sign_ins(store.folder)))),
    )
    wanted = who.casefold()
    chosen = (
        line
        for line in found
        if (not wanted or line.who.casefold() == wanted) and (since is None or line.at >= since)
    )
    return tuple(sorted(chosen, key=lambda line: line.at, reverse=True))


def write_trail(lines: Sequence[TrailLine], path: Path) -> None:
    """Write lines as the table above.

    Raises
    ------
    StoreError
        If the file can't be written.
    """
    save(path, csv_bytes(COLUMNS, _rows(lines)))


def _rows(lines: Iterable[TrailLine]) -> Iterator[tuple[str, ...]]:
    nothing = FieldLine(field="", before="", after="")
    for line in lines:
        at = line.at.strftime("%Y-%m-%dT%H:%M:%SZ")
        for one in line.fields or (nothing,):
            told = (one.field, one.before, one.after)
            yield (at, line.who, line.what, line.about, *told, line.kept_as)


def _of_change(change: Change) -> TrailLine:
    done = "new" if change.before is None else "taken out" if change.after is None else "changed"
    return TrailLine(
        at=change.at,
        who=change.who,
        what=f"{change.kind.value}: {done}",
        about=change.about,
        fields=tuple(
            FieldLine(field=one.name, before=_text(one.before), after=_text(one.after))
            for one in change.fields
        ),
        kept_as=f"change {change.number}",
    )


def _of_edits(edits: Iterable[PhotoEdit]) -> Iterator[TrailLine]:
    """An edit that was undone is two acts."""
    for edit in reversed(tuple(edits)):
        kept_as = f"photo edit {edit.number}"
        kind = type(edit.correction).__name__
        document = _text(to_plain(edit.correction))
        line = TrailLine(
            at=edit.made_at,
            who=edit.made_by,
            what="photo: edited",
            about=edit.photo_id,
            fields=(FieldLine(field=kind, before="", after=document),),
            kept_as=kept_as,
        )
        if edit.undone_at is not None:
            yield TrailLine(
                at=edit.undone_at,
                who=edit.undone_by or "",
                what="photo: edit undone",
                about=edit.photo_id,
                fields=(FieldLine(field=kind, before=document, after=""),),
                kept_as=kept_as,
            )
        yield line


def _of_frozen(frozen: FrozenForecast) -> TrailLine:
    return TrailLine(
        at=frozen.frozen_at,
        who=frozen.frozen_by,
        what="forecast: frozen for sales",
        about=frozen.forecast_id,
        fields=(FieldLine(field="note", before="", after=frozen.note),) if frozen.note else (),
        kept_as=f"frozen version {frozen.number}",
    )


def _of_job(job: Job) -> TrailLine:
    return TrailLine(
        at=job.asked_at,
        who=job.asked_by,
        what=f"work: asked to {job.kind.value}",
        about=job.folder or f"{len(job.names)} photo{'' if len(job.names) == 1 else 's'}",
        fields=(FieldLine(field="state now", before="", after=job.state.value),),
        kept_as=f"work {job.number}",
    )


def _of_sign_in(one: SignIn) -> TrailLine:
    """Of a refused one nobody knows who it was: the name is only what was tried."""
    let_in = one.outcome is Outcome.IN
    told = {
        "name tried": "" if let_in else one.name or "of no account",
        "from": one.address,
        "refused before, not listed": str(one.untold or ""),
    }
    return TrailLine(
        at=one.at,
        who=one.name if let_in else "",
        what=f"sign-in: {one.outcome.value}",
        about="",
        fields=tuple(
            FieldLine(field=name, before="", after=text) for name, text in told.items() if text
        ),
        kept_as=SIGN_INS_NAME,
    )


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, Mapping | list | tuple | bool):
        return json.dumps(value, ensure_ascii=False)
    return str(value)

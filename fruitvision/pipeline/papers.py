"""Any table into the farm: looked at first, kept after a yes, names and columns asked once."""

from __future__ import annotations

import hashlib
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from fruitvision.domain import (
    FieldChange,
    NameMapping,
    ThingKind,
    differing,
)
from fruitvision.errors import FieldDataError
from fruitvision.field_table import FieldTable, without
from fruitvision.papers.answers import (
    TABLES,
    Answers,
    Remembered,
    columns_from_text,
    columns_kind,
    columns_to_text,
    header_key,
    name_key,
    remembered,
    remembered_kind,
)
from fruitvision.papers.kinds import (
    BLOCK,
    GRADE,
    KINDS,
    SIZE_CLASS,
    VARIETY,
    guess_kind,
    is_fruit_list,
    is_walk_list,
)
from fruitvision.papers.sheets import Sheet, heading_of, read_sheets
from fruitvision.papers.understand import Known, Understood, understand
from fruitvision.pipeline.believable import odd_blocks
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.odd_counts import odd_counts
from fruitvision.pipeline.odd_tickets import odd_tickets
from fruitvision.pipeline.paper_records import Preview, TakenIn, ThingSeen
from fruitvision.pipeline.paper_tables import (
    COMPLETED,
    FARM_TABLES,
    Things,
    completed,
)
from fruitvision.pipeline.size_tables import farm_size_table, size_tables_of
from fruitvision.records import to_plain
from fruitvision.store import Store

# Files whose sheets stay in memory while somebody answers questions about them. Our choice.
_FILES_KEPT = 4


# Rows that a preview shows. Our choice: what a person compares with the paper.
SHOWN_ROWS = 5


def look_at(
    path: Path, store: Store, answers: Answers, *, name: str = "", today: date | None = None
) -> Preview:
    """What a table would do to the farm. Nothing is changed.

    Parameters
    ----------
    name : str
        The file's name where it came from, if `path` has another one.
    today : date, optional
        Tickets of later days are asked about; counts, readings and visits are refused.

    Raises
    ------
    FieldDataError
        If the file can't be read, or an answer names a sheet or a kind that there is not.
    """
    return _looked_at(path, store, answers, name or path.name, today)[0]


def take_in(
    path: Path,
    store: Store,
    answers: Answers,
    *,
    who: str,
    seen: str = "",
    name: str = "",
    today: date | None = None,
) -> TakenIn:
    """Put the rows of a table into the farm, and remember what was said of its names and columns.

    Parameters
    ----------
    seen : str
        The `stamp` of the preview that a person said yes to; empty: whatever it does now.

    Raises
    ------
    FieldDataError
        As `look_at`; if something must be asked first; if it would do something else than was seen.
    """
    preview, rows, before = _looked_at(path, store, answers, name or path.name, today)
    if preview.must_ask or preview.understood is None:
        raise FieldDataError(
            f"{preview.file} has a question that is open.",
            fix="Look at the table first, and answer.",
        )
    if seen and seen != preview.stamp:
        if preview.changes_nothing:
            # Another tab, or the same click twice: all of it is there.
            return TakenIn(preview=preview, changed=False)
        raise FieldDataError(
            "Something of this was changed meanwhile.", fix="Look at the table again, and confirm."
        )
    if not preview.changes_nothing:
        FARM_TABLES[preview.kind].save(rows, store, who)
        store.note_change(
            ThingKind.TABLE, preview.kind, None, _told(preview), who=who, at=now_utc()
        )
    store.save_names(_said_now(preview, answers, before, who))
    return TakenIn(preview=preview, changed=not preview.changes_nothing)


def names_said(store: Store) -> tuple[NameMapping, ...]:
    """What was said of names, columns and kinds of tables, by kind."""
    return store.mapped_names()


def forget_name(kind: str, written: str, store: Store) -> None:
    """Take back what was said of a name.

    Raises
    ------
    FieldDataError
        If nobody said it.
    """
    if not store.forget_name(kind, written):
        raise FieldDataError(
            f"Nobody said what '{written}' means.", fix="List the names: fruitvision table names."
        )


# ---------------------------------------------------------------- looking


_read: dict[tuple[str, str], tuple[Sheet, ...]] = {}


def _sheets(path: Path, name: str) -> tuple[Sheet, ...]:
    """The sheets of a file; those read last are kept, since each answer looks at them again."""
    key = name, _sha256(path)
    found = _read.get(key)
    if found is None:
        try:
            found = read_sheets(path)
        except FieldDataError as err:
            # The name under which it was uploaded is what the person knows.
            raise FieldDataError(err.what.replace(path.name, name), fix=err.fix) from err
        for old in list(_read)[: len(_read) + 1 - _FILES_KEPT]:
            _read.pop(old, None)
        _read[key] = found
    return found


def _looked_at(
    path: Path, store: Store, answers: Answers, name: str, today: date | None
) -> tuple[Preview, Sequence[Any], Remembered]:
    before = remembered(store.mapped_names())
    sheets = _sheets(path, name)
    preview = Preview(file=name, sheets=tuple(one.name for one in sheets))
    sheet = _chosen_sheet(sheets, answers, name)
    if sheet is None:
        return preview, (), before
    heading = heading_of(sheet)
    if is_fruit_list(heading.labels):
        raise FieldDataError(
            f"{name} is a list of fruit that were measured in photos: it is only written.",
            fix="Bring the photos instead. Fruit measured by hand are a table of calipers.",
        )
    if is_walk_list(heading.labels):
        raise FieldDataError(
            f"{name} is the list of a walk: it says which tree each photo shows.",
            fix="Bring it together with its photos: on the page Photos under 'A walk', or all in "
            "one folder with: fruitvision load FOLDER.",
        )
    guess = guess_kind(heading.labels, name)
    said = remembered_kind(heading.labels, before)
    kind = answers.kind or (said.meant if said else "") or (guess.kinds[0] if guess.clear else "")
    preview = replace(
        preview,
        sheet=sheet.name,
        read_from=sheet,
        heading=heading,
        kinds=guess.kinds,
        kind=kind,
        fitting=guess.fitting if guess.kinds[:1] == (kind,) else (),
        kind_by_file=guess.by_file,
        kind_clear=guess.clear and guess.kinds[:1] == (kind,),
        kind_said=None if answers.kind else said,
    )
    if not kind:
        return preview, (), before
    if kind not in KINDS:
        raise FieldDataError(
            f"There is no kind of table '{kind}'.", fix=f"Choose one of {', '.join(KINDS)}."
        )
    understood = understand(
        heading,
        KINDS[kind],
        file=name,
        answers=answers,
        known=_known(store),
        before=before,
    )
    preview = replace(preview, understood=understood)
    if understood.must_ask:
        return preview, (), before
    return *_with_rows(preview, understood, store, answers, today), before


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as err:
        raise FieldDataError(
            f"Can't read {path.name}: {err.strerror}.", fix="Check the name and the folder."
        ) from err


def _chosen_sheet(sheets: Sequence[Sheet], answers: Answers, name: str) -> Sheet | None:
    if len(sheets) == 1 and not answers.sheet:
        return sheets[0]
    if not answers.sheet:
        return None
    found = next((sheet for sheet in sheets if sheet.name == answers.sheet), None)
    if found is None:
        raise FieldDataError(
            f"{name} has no sheet '{answers.sheet}'.",
            fix=f"It has: {', '.join(sheet.name for sheet in sheets)}.",
        )
    return found


def _known(store: Store) -> Known:
    """The farm's names that tables may hold."""
    blocks = store.blocks()
    classes: dict[str, None] = {}
    for name in size_tables_of(store.folder):
        try:
            table = farm_size_table(name, store.folder)
        except FieldDataError:
            continue  # A damaged table is told where it is chosen.
        classes |= dict.fromkeys(one.name for one in table.classes)
    return {
        BLOCK: tuple(block.block_id for block in blocks),
        VARIETY: tuple(dict.fromkeys(block.variety for block in blocks)),
        SIZE_CLASS: tuple(classes),
        GRADE: tuple(dict.fromkeys(one.grade for one in store.grades())),
    }


def _with_rows(
    preview: Preview,
    understood: Understood,
    store: Store,
    answers: Answers,
    today: date | None,
) -> tuple[Preview, Sequence[Any]]:
    """The preview with what would go in, and the records that would."""
    kind = FARM_TABLES[preview.kind]
    table = understood.kind.read(understood.table)
    present = kind.present(store)
    table = _complete(preview.kind, table, understood, present)
    table = kind.checked(table, store, today)
    odd = odd_counts(table, store, answers.odd_lines) if preview.kind == "hand_counts" else ()
    strange = (
        odd_tickets(table, store, answers.odd_lines, today=today)
        if preview.kind == "tickets"
        else ()
    )
    hardly = (
        odd_blocks(table, store, answers.odd_lines) if preview.kind in ("blocks", "picks") else ()
    )
    doubted = {one.line for one in odd if not one.meant}
    doubted |= {one.line for one in hardly if not one.meant}
    doubted |= {one.line for one in strange if not one.meant}
    table = _without_lines(table, doubted)
    after = kind.after(present, table.rows)
    touched = kind.after({}, table.rows)
    new = tuple(ThingSeen(key=key) for key in after if key not in present)
    gone = tuple(ThingSeen(key=key) for key in present if key not in after)
    changed = tuple(
        ThingSeen(key=key, fields=_differing(present[key], one))
        for key, one in touched.items()
        if key in present and present[key] != one
    )
    lines = set(table.lines)
    first = [row for row in understood.table.rows if row.line in lines]
    return replace(
        preview,
        rows=len(table.rows),
        first_rows=tuple(first[:SHOWN_ROWS]),
        refused=table.refused,
        odd_counts=odd,
        odd_tickets=strange,
        odd_blocks=hardly,
        new=new,
        changed=changed,
        gone=gone,
        same=len(touched) - len(new) - len(changed),
        stamp=_stamp(present, after, touched),
    ), table.rows


def _complete(
    kind: str, table: FieldTable[Any], understood: Understood, present: Things
) -> FieldTable[Any]:
    """Blocks and places with what the farm knows and the table has no column for."""
    if kind not in COMPLETED:
        return table
    columns = understood.table.columns
    return replace(table, rows=completed(kind, table.rows, columns, present))


def _without_lines(table: FieldTable[Any], lines: set[int]) -> FieldTable[Any]:
    """Without these lines; they are told elsewhere."""
    left = without(table, dict.fromkeys(lines, ("", "")))
    return replace(left, refused=table.refused)


def _differing(before: object, after: object) -> tuple[FieldChange, ...]:
    one, other = to_plain(before), to_plain(after)
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return differing(one, other)
    return (FieldChange(name="value", before=one, after=other),)


def _stamp(present: Things, after: Things, touched: Things) -> str:
    """A hash of what is there and what would be in its place."""
    keys: set[Hashable] = {*touched, *(key for key in present if key not in after)}
    told = sorted(f"{key!r} {present.get(key)!r} {after.get(key)!r}" for key in keys)  # type: ignore[call-overload]
    return hashlib.sha256("\n".join(told).encode()).hexdigest()


# ---------------------------------------------------------------- what is kept beside the rows


def _told(preview: Preview) -> dict[str, Any]:
    """What the record of changes keeps of a table: also each number as it was typed."""
    converted = preview.understood.converted if preview.understood else ()
    told: dict[str, Any] = {
        "rows": preview.rows,
        "file": preview.file,
        "new": len(preview.new),
        "changed": len(preview.changed),
        "gone": len(preview.gone),
    }
    if converted:
        told["converted"] = [[one.line, one.label, one.typed, one.became] for one in converted]
    return told


def _said_now(
    preview: Preview, answers: Answers, before: Remembered, who: str
) -> tuple[NameMapping, ...]:
    """Names, columns and kind that a person told of this table and that are not kept yet."""
    at = now_utc()
    understood, heading = preview.understood, preview.heading
    if understood is None or heading is None:
        return ()
    said = [
        NameMapping(kind=one.what, written=one.written, meant=one.meant, who=who, at=at)
        for one in understood.names_used
        if one.said is None and (one.what, name_key(one.written)) in answers.names
    ]
    header = header_key(heading.labels)
    kept_kind = before.kinds.get(header)
    if answers.kind and (not preview.kind_clear or kept_kind is not None):
        said.append(NameMapping(kind=TABLES, written=header, meant=preview.kind, who=who, at=at))
    if answers.columns:
        kept = before.columns.get((preview.kind, header))
        earlier = columns_from_text(kept.meant) if kept else {}
        text = columns_to_text({**earlier, **answers.columns})
        said.append(
            NameMapping(kind=columns_kind(preview.kind), written=header, meant=text, who=who, at=at)
        )
    return tuple(said)

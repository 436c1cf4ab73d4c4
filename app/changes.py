"""Who changed what, in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Any

import streamlit as st

from app import files, session, show
from app.changes_of_photos import ChangeLine, photo_lines
from app.downloads import KEEP_PAGE
from app.wording import day, language, measure, moment, number, percent, ranged, say, texts
from fruitvision.accounts import Role
from fruitvision.domain import Block, CaliperReading, Change, Estimate, HandCount, ThingKind
from fruitvision.pipeline.trail import trail, write_trail
from fruitvision.store import FarmStore
from fruitvision.unit_system import UnitSystem

# Changes that are listed. Our choice: some weeks of a farm.
LISTED = 50
CHANGES_NAME = "changes.csv"
# Under this name the change of a block keeps what went with it.
HANGING = "hanging"


def latest_changes(store: FarmStore) -> None:
    """A table of the latest changes: when, who, what, from what to what; photos put right too."""
    lines = [_line(one) for one in store.changes(most=LISTED)]
    lines += photo_lines(store, LISTED)
    if not lines:
        st.write(say("work.no_changes"))
        return
    lines.sort(key=lambda line: line.at, reverse=True)
    show.table([_row(line) for line in lines[:LISTED]])
    # Names of all people are in it.
    if session.role() in (None, Role.MANAGER):
        _all_changes(store)


def _all_changes(store: FarmStore) -> None:
    st.caption(say("work.changes_words"))
    st.download_button(
        say("work.changes_file"),
        partial(files.bytes_of, partial(_write_all, store), CHANGES_NAME),
        file_name=CHANGES_NAME,
        mime="text/csv",
        icon=":material/download:",
        on_click=KEEP_PAGE,
    )


def _write_all(store: FarmStore, path: Path) -> None:
    write_trail(trail(store), path)


def _row(line: ChangeLine) -> dict[str, str]:
    return {
        say("work.when"): moment(line.at),
        say("work.who"): line.who or say("work.somebody"),
        say("work.what"): line.what,
    }


def _line(change: Change) -> ChangeLine:
    if change.kind is ThingKind.TABLE and change.after is not None:
        what = say("work.rows_in", n=change.after["rows"])
    elif change.before is None:
        what = say("work.new", what=_fields_words(change))
    elif change.after is None:
        what = _taken_out_words(change)
    else:
        what = "; ".join(
            f"{field_words(one.name)}: {value_words(one.name, one.before)} → "
            f"{value_words(one.name, one.after)}"
            for one in change.fields
        )
    about = about_words(change.kind, change.after or change.before, change.about)
    return ChangeLine(at=change.at, who=change.who, what=f"{about}: {what}")


def _taken_out_words(change: Change) -> str:
    """That a thing is gone, and what went with it."""
    hanging = (change.before or {}).get(HANGING)
    if not isinstance(hanging, Mapping):
        return say("work.taken_out")
    counts = {name: len(rows) for name, rows in hanging.items()}
    return say("work.taken_out_with", what=", ".join(hanging_words(counts)))


def hanging_words(counts: Mapping[str, int]) -> list[str]:
    """What hangs on a block, by table: `324 places of the register`, `40 photos`."""
    return [say(f"work.hanging_{name}", n=n) for name, n in counts.items()]


def _fields_words(change: Change) -> str:
    """What a new thing holds, of the fields that people know by name."""
    return ", ".join(
        f"{field_words(one.name)} {value_words(one.name, one.after)}"
        for one in change.fields
        if one.after and field_words(one.name) != one.name
    )


def about_words(kind: ThingKind, thing: object, name: str = "") -> str:
    """What a change is about: `hand count of Gala North, row 1, tree 9, 12 Aug 2026`.

    Parameters
    ----------
    thing : record or dict
        The thing itself, or its fields.
    name : str
        Its name among those of its kind, for what has no fields of its own to tell it by.
    """
    words = {
        ThingKind.FARM: "work.the_farm",
        ThingKind.BLOCK: "work.the_block",
        ThingKind.HAND_COUNT: "work.the_hand_count",
        ThingKind.CALIPERS: "work.the_calipers",
        ThingKind.PICK_PLAN: "work.the_pick_plan",
        ThingKind.COLD_ROOM: "work.the_cold_room",
        ThingKind.PASS: "work.the_pass",
        ThingKind.HARVEST_REST: "work.the_harvest_rest",
        ThingKind.TABLE: "work.the_table",
        ThingKind.SEASON: "work.the_season",
        ThingKind.SEASON_NOTE: "work.the_season_note",
        ThingKind.LEARNED: "work.the_learned",
        ThingKind.WALK: "work.the_walk",
        ThingKind.PLACE: "work.the_place",
        ThingKind.REFERENCES: "work.the_references",
        ThingKind.LENS: "work.the_lens",
        ThingKind.ACCOUNT: "work.the_account",
    }
    if kind is ThingKind.TABLE:
        name = str(texts(language(), "papers").get(f"kind_{name}", name))
    return say(words[kind], name=_name(thing) or name)


def _name(thing: object) -> str:
    if isinstance(thing, Mapping):
        return _name_of_fields(thing)
    if isinstance(thing, Block):
        return thing.block_id
    one = thing[0] if isinstance(thing, tuple) and thing else thing
    if isinstance(one, HandCount | CaliperReading):
        on = one.counted_on if isinstance(one, HandCount) else one.measured_on
        tree = one.tree
        return _tree_words(tree.block_id, tree.row, tree.position, on)
    return ""


def _name_of_fields(fields: Mapping[str, Any]) -> str:
    tree = fields.get("tree")
    if isinstance(tree, Mapping):
        on = date.fromisoformat(fields.get("counted_on") or fields["drawn_on"])
        return _tree_words(tree["block_id"], tree["row"], tree["position"], on)
    return str(fields.get("block_id", ""))


def _tree_words(block: str, row: int, position: int, on: date) -> str:
    return say("work.of_tree", block=block, row=str(row), position=str(position), day=on)


def field_words(name: str) -> str:
    """A field's name; that of a setting nobody changes on a page stays as the file has it."""
    found = texts(language(), "work").get(f"field_{name}")
    return found if isinstance(found, str) else name


def value_words(name: str, value: object) -> str:
    """A field's value as people read it, in the visitor's units."""
    if value is None or value == "":
        return "–"
    if name in _WRITTEN:
        return _WRITTEN[name](value)
    if not isinstance(value, int | float):
        return str(value)
    if name not in _UNITS:
        return number(value, 0 if float(value).is_integer() else 2)
    unit, digits = _UNITS[name]
    return measure(value, getattr(session.units(), unit), digits)


# Which of a visitor's units a field is shown in, and its decimals where that is metric.
_UNITS = {
    "row_spacing_m": ("distance", 2),
    "tree_spacing_m": ("distance", 2),
    "area_ha": ("area", 2),
    "target_diameter_mm": ("diameter", 1),
    "ruler_measured_mm": ("diameter", 1),
}


def _day(value: Any) -> str:
    return day(date.fromisoformat(value))


def _calipered(value: Any) -> str:
    unit = session.units().diameter
    return ", ".join(f"{fruit} {measure(mm, unit, 1)}".strip() for fruit, mm in value)


def _picks(value: Any) -> str:
    return ", ".join(f"{_day(one['pick_date'])} ({percent(one['share'])})" for one in value)


_WRITTEN: dict[str, Callable[[Any], str]] = {
    "units": lambda value: show.units_words(UnitSystem(value)),
    "pick_date": _day,
    "full_bloom_on": _day,
    "counted_on": _day,
    "role": lambda value: say(f"work.role_{value}"),
    "found": lambda value: say(f"work.found_{value}"),
    "changed_at": lambda value: moment(datetime.fromisoformat(value)),
    "made_on": lambda value: _day(value) if value else "–",
    "count_by_hand": lambda value: say("work.yes" if value else "work.no"),
    "calipered": _calipered,
    "picks": _picks,
    "finished": lambda value: say("work.yes" if value else "work.no"),
    "rest_bins": lambda value: ranged(Estimate(*value)),
    "daily_share": percent,
}

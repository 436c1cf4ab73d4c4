"""Things that several people change: where each is kept, and its fields as people know them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Generic, TypeVar

from sqlalchemy import Table

from fruitvision.domain import (
    Block,
    CaliperReading,
    ColdRoom,
    HandCount,
    PickPlan,
    Protocol,
    SeasonNote,
    ThingKind,
    TreeId,
)
from fruitvision.records import from_json, from_plain, to_json, to_plain
from fruitvision.settings import Settings, settings_from_text, settings_to_text
from fruitvision.store import rows, tables
from fruitvision.store.field import Farm
from fruitvision.store.lots import season_note, season_note_row
from fruitvision.store.rooms import cold_room

R = TypeVar("R")
Fields = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept(Generic[R]):
    """One thing of a farm, and how it is kept.

    `about` names it among those of its kind. `key` : values of the columns that tell its rows from
    the table's others. `read` makes the thing of its rows (None where it has none), `write` the
    rows of the thing; `taken_apart` gives its fields, `made` puts them together again.
    """

    kind: ThingKind
    about: str
    table: Table
    key: Mapping[str, object]
    read: Callable[[Sequence[rows.FoundRow]], R | None]
    write: Callable[[R], list[rows.NewRow]]
    taken_apart: Callable[[R], Fields]
    made: Callable[[Fields], R]


def kept_farm(unsaved: Farm) -> Kept[Farm]:
    """Name and settings of the farm; `unsaved` stands where nothing was saved yet."""

    def read(found: Sequence[rows.FoundRow]) -> Farm:
        if not found:
            return unsaved
        return Farm(name=found[0]["name"], settings_text=found[0]["settings_text"])

    def made(fields: Fields) -> Farm:
        settings = Settings(**{name: value for name, value in fields.items() if name != "name"})
        return Farm(name=fields["name"], settings_text=settings_to_text(settings))

    return Kept(
        kind=ThingKind.FARM,
        about="",
        table=tables.farm,
        key={"number": 1},
        read=read,
        write=lambda farm: [{"number": 1, "name": farm.name, "settings_text": farm.settings_text}],
        taken_apart=lambda farm: {
            "name": farm.name,
            **asdict(settings_from_text(farm.settings_text)),
        },
        made=made,
    )


def kept_block(block_id: str) -> Kept[Block]:
    """A block by its name."""
    return Kept(
        kind=ThingKind.BLOCK,
        about=block_id,
        table=tables.block,
        key={"block_id": block_id},
        read=lambda found: rows.block(found[0]) if found else None,
        write=lambda block: [rows.plain_row(block)],
        taken_apart=to_plain,
        made=lambda fields: from_plain(Block, fields),
    )


def kept_hand_count(tree: TreeId, counted_on: date, protocol: Protocol) -> Kept[HandCount]:
    """The hand count of a tree on a day, for one way of taking photos."""
    return Kept(
        kind=ThingKind.HAND_COUNT,
        about=f"{tree}, {counted_on}, {protocol}",
        table=tables.hand_count,
        key={**to_plain(tree), "counted_on": counted_on.isoformat(), "protocol": protocol.value},
        read=lambda found: rows.hand_count(found[0]) if found else None,
        write=lambda count: [rows.tree_row(count)],
        taken_apart=to_plain,
        made=lambda fields: from_plain(HandCount, fields),
    )


def kept_calipers(tree: TreeId, measured_on: date) -> Kept[tuple[CaliperReading, ...]]:
    """All caliper readings of a tree on a day."""
    return Kept(
        kind=ThingKind.CALIPERS,
        about=f"{tree}, {measured_on}",
        table=tables.caliper_reading,
        key={**to_plain(tree), "measured_on": measured_on.isoformat()},
        read=lambda found: tuple(map(rows.caliper_reading, found)) or None,
        write=rows.caliper_rows,
        taken_apart=lambda readings: {
            "calipered": [[one.fruit, one.diameter_mm] for one in readings]
        },
        made=lambda fields: tuple(
            CaliperReading(tree=tree, measured_on=measured_on, fruit=name, diameter_mm=mm)
            for name, mm in fields["calipered"]
        ),
    )


def kept_pick_plan(block_id: str) -> Kept[PickPlan]:
    """The passes of a block."""
    return Kept(
        kind=ThingKind.PICK_PLAN,
        about=block_id,
        table=tables.pick_plan,
        key={"block_id": block_id},
        read=lambda found: rows.pick_plan(found[0]) if found else None,
        write=lambda plan: [rows.pick_plan_row(block_id, plan)],
        taken_apart=to_plain,
        made=lambda fields: from_plain(PickPlan, fields),
    )


def kept_cold_room(name: str) -> Kept[ColdRoom]:
    """A cold room by its name."""
    return Kept(
        kind=ThingKind.COLD_ROOM,
        about=name,
        table=cold_room,
        key={"name": name},
        read=lambda found: from_json(ColdRoom, found[0]["document"]) if found else None,
        write=lambda room: [{"name": room.name, "document": to_json(room)}],
        taken_apart=lambda room: {
            "bins": room.bins,
            "daily_share": room.daily_share,
            "variety": room.variety,
        },
        made=lambda fields: ColdRoom(name=name, **fields),
    )


def kept_season_note(block_id: str, season: int) -> Kept[SeasonNote]:
    """What a season did to a block."""
    return Kept(
        kind=ThingKind.SEASON_NOTE,
        about=f"{block_id}, {season}",
        table=season_note,
        key={"block_id": block_id, "season": season},
        read=lambda found: from_json(SeasonNote, found[0]["document"]) if found else None,
        write=lambda note: [season_note_row(note)],
        taken_apart=lambda note: {
            name: value
            for name, value in to_plain(note).items()
            if name not in ("block_id", "season")
        },
        made=lambda fields: SeasonNote(block_id=block_id, season=season, **fields),
    )

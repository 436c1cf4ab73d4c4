"""Tables of the office into the farm: from the register to prices of cartons and cold rooms."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TypeVar

from fruitvision.domain import Block, CartonPrice, VisitedPlace
from fruitvision.errors import FieldDataError, did_you_mean
from fruitvision.field_data import TreeRow, check_blocks
from fruitvision.field_table import FieldTable
from fruitvision.office_data import read_gaps, read_picks, read_register, read_weighed
from fruitvision.packout_data import VarietyRow, check_varieties, read_culls, read_grades
from fruitvision.pipeline.believable import believable_places
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.photos import Refused, refused_row
from fruitvision.pipeline.size_tables import known_classes
from fruitvision.price_data import check_price_classes, read_prices
from fruitvision.register import check_register_rows
from fruitvision.room_data import read_rooms
from fruitvision.store import Store
from fruitvision.store.things import kept_cold_room, kept_pick_plan

Thing = TypeVar("Thing")

# Endings of a table, in the order in which they are looked for.
ENDINGS = (".csv", ".xlsx")
# Names of the tables, and their columns; those in brackets need not be there.
TABLES = {
    "register": "block, row, position (kind, stratum, bearing_share, variety)",
    "gaps": "block, row, position, visited_on, found",
    "picks": "block, pick_date (share, date_error_days, doubling_g, left_share)",
    "weighed": "variety, weighed_on, diameter_mm or diameter_in, mass_g or mass_oz",
    "culls": "size_class, cull_share (cull_share_error, variety)",
    "grades": "size_class, grade, share (variety)",
    "prices": "per_carton (variety, size_class, grade)",
    "rooms": "room, bins (daily_share, variety)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRows:
    """What a table says otherwise than the farm, which stays as it is: its file, and the names of
    the blocks or rooms."""

    file: str
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OfficeRows:
    """How many rows of each table went into the farm, and what of them did not, since the farm has
    something else there."""

    register: int = 0
    gaps: int = 0
    picks: int = 0
    weighed: int = 0
    culls: int = 0
    grades: int = 0
    prices: int = 0
    rooms: int = 0
    kept: tuple[KeptRows, ...] = ()

    @property
    def words(self) -> str:
        """What came in, as a sentence; empty if nothing did."""
        found = (
            (self.register, "register place", "register places"),
            (self.gaps, "visited place", "visited places"),
            (self.picks, "pick plan", "pick plans"),
            (self.weighed, "weighed fruit", "weighed fruit"),
            (self.culls, "class with culls", "classes with culls"),
            (self.grades, "grade of a class", "grades of classes"),
            (self.prices, "price of cartons", "prices of cartons"),
            (self.rooms, "cold room", "cold rooms"),
        )
        return ", ".join(
            f"{count:,} {one if count == 1 else several}" for count, one, several in found if count
        )


def table_in(folder: Path, name: str) -> Path | None:
    """A table of that name in a folder, as CSV or XLSX; None if there is none."""
    found = (folder / f"{name}{ending}" for ending in ENDINGS)
    return next((path for path in found if path.exists()), None)


def load_office(
    folder: Path,
    store: Store,
    blocks: Sequence[Block],
    *,
    who: str = "",
    names: Sequence[str] = tuple(TABLES),
    today: date | None = None,
    farm_first: bool = False,
) -> tuple[OfficeRows, tuple[Refused, ...]]:
    """Read what a folder holds of these tables of the office, and keep it, as `load_tables`.

    Raises
    ------
    FieldDataError
        If a table can't be read or lacks a column.
    """
    found = {name: path for name in names if (path := table_in(folder, name)) is not None}
    return load_tables(found, store, blocks, who=who, today=today, farm_first=farm_first)


def load_tables(
    paths: Mapping[str, Path],
    store: Store,
    blocks: Sequence[Block],
    *,
    who: str = "",
    today: date | None = None,
    farm_first: bool = False,
) -> tuple[OfficeRows, tuple[Refused, ...]]:
    """Read tables by their name of `TABLES`, and keep them; `who` loaded them is kept too.

    A register that contradicts its block is refused as a whole, block by block; places that can't
    have been visited (see `believable_places`) one by one.

    Parameters
    ----------
    farm_first : bool
        Passes of blocks and cold rooms that the farm has stay as they are: the tables may be older
        than what people changed since.

    Raises
    ------
    FieldDataError
        If a table can't be read or lacks a column.
    """
    refused: list[Refused] = []
    register = _of_blocks(paths.get("register"), read_register, blocks, refused)
    kept = 0
    for block in blocks:
        rows = [row for row in register if row.tree.block_id == block.block_id]
        try:
            if rows:
                check_register_rows(block, rows)
                store.save_register(rows)
                kept += len(rows)
        except FieldDataError as err:
            refused.append(
                Refused(name=f"register of {block.block_id}", what=err.what, fix=err.fix)
            )
    gaps = _of_blocks(
        paths.get("gaps"), partial(_read_gaps, store=store, today=today), blocks, refused
    )
    store.save_visited_places(gaps)
    kept_rows: list[KeptRows] | None = [] if farm_first else None
    picks = _load_picks(paths.get("picks"), store, blocks, refused, who, kept_rows)
    weighed = _load_weighed(paths.get("weighed"), store, refused)
    culls = _of_varieties(paths.get("culls"), read_culls, blocks, refused)
    store.save_culls(culls)
    grades = _of_varieties(paths.get("grades"), read_grades, blocks, refused)
    store.save_grades(grades)
    prices = _of_varieties(paths.get("prices"), partial(_read_prices, store=store), blocks, refused)
    if prices:
        store.save_prices(prices)
    rooms = _load_rooms(paths.get("rooms"), store, blocks, refused, who, kept_rows)
    counts = OfficeRows(
        register=kept,
        gaps=len(gaps),
        picks=picks,
        weighed=weighed,
        culls=len(culls),
        grades=len(grades),
        prices=len(prices),
        rooms=rooms,
        kept=tuple(kept_rows or ()),
    )
    for name in paths:
        # Pick plans and rooms are kept with who changed each of them.
        if name not in ("picks", "rooms") and (rows_in := getattr(counts, name)):
            store.note_table(name, rows_in, who=who, at=now_utc())
    return counts, tuple(refused)


def _of_blocks(
    path: Path | None,
    read: Callable[[Path], FieldTable[TreeRow]],
    blocks: Sequence[Block],
    refused: list[Refused],
) -> tuple[TreeRow, ...]:
    if path is None:
        return ()
    table = check_blocks(read(path), blocks)
    refused.extend(map(refused_row, table.refused))
    return table.rows


def _read_gaps(path: Path, *, store: Store, today: date | None) -> FieldTable[VisitedPlace]:
    return believable_places(read_gaps(path), store, today)


def _read_prices(path: Path, *, store: Store) -> FieldTable[CartonPrice]:
    table = read_prices(path)
    named = any(row.size_class for row in table.rows)
    return check_price_classes(table, known_classes(store)) if named else table


def _of_varieties(
    path: Path | None,
    read: Callable[[Path], FieldTable[VarietyRow]],
    blocks: Sequence[Block],
    refused: list[Refused],
) -> tuple[VarietyRow, ...]:
    """Rows of the farm's varieties, and those that stand for all; others are refused."""
    if path is None:
        return ()
    table = check_varieties(read(path), {block.variety for block in blocks})
    refused.extend(map(refused_row, table.refused))
    return table.rows


def _without_kept(
    new: Mapping[str, Thing], there: Mapping[str, Thing], file: str, kept: list[KeptRows] | None
) -> Mapping[str, Thing]:
    """What a table says of things that the farm has not; those of which it says something else than
    the farm are named in `kept`. Where that is None, all that it says."""
    others = tuple(name for name in new if name in there and there[name] != new[name])
    if kept is None or not others:
        return new
    kept.append(KeptRows(file=file, names=others))
    return {name: one for name, one in new.items() if name not in others}


def _load_picks(
    path: Path | None,
    store: Store,
    blocks: Sequence[Block],
    refused: list[Refused],
    who: str,
    kept: list[KeptRows] | None,
) -> int:
    if path is None:
        return 0
    found = read_picks(path)
    refused.extend(map(refused_row, found.refused))
    names = {block.block_id for block in blocks}
    plans = _without_kept(found.plans, store.pick_plans(), path.name, kept)
    for block_id, plan in plans.items():
        if block_id in names:
            store.save_each(
                [(kept_pick_plan(block_id), partial(_instead, plan))], who=who, at=now_utc()
            )
        else:
            refused.append(
                Refused(
                    name=f"{path.name}, {block_id}",
                    what=f"Block '{block_id}' is not in the list of blocks.",
                    fix=did_you_mean(block_id, names),
                )
            )
    return len(names & plans.keys())


def _load_rooms(
    path: Path | None,
    store: Store,
    blocks: Sequence[Block],
    refused: list[Refused],
    who: str,
    kept: list[KeptRows] | None,
) -> int:
    """Rooms by name; those that the table does not name stay as they are."""
    if path is None:
        return 0
    named = {room.name: room for room in _of_varieties(path, read_rooms, blocks, refused)}
    there = {room.name: room for room in store.cold_rooms()}
    rooms = _without_kept(named, there, path.name, kept)
    store.save_each(
        [(kept_cold_room(name), partial(_instead, room)) for name, room in rooms.items()],
        who=who,
        at=now_utc(),
    )
    return len(rooms)


def _instead(new: Thing, _before: Thing | None) -> Thing:
    return new


def _load_weighed(path: Path | None, store: Store, refused: list[Refused]) -> int:
    if path is None:
        return 0
    table = read_weighed(path)
    refused.extend(map(refused_row, table.refused))
    store.save_weighed_fruit(table.rows)
    return len(table.rows)

"""Tables of the packing house into the farm, and what a season did to a block."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TypeVar

from fruitvision.csv_file import read_csv
from fruitvision.domain import BinTicket, PackedLot, SeasonNote
from fruitvision.errors import FieldDataError, did_you_mean
from fruitvision.field_table import FieldTable, without
from fruitvision.packed_data import (
    Meant,
    PartOfLot,
    read_lot_parts,
    read_packed,
    read_tickets,
    with_parts,
)
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.odd_tickets import odd_tickets
from fruitvision.pipeline.office import table_in
from fruitvision.pipeline.photos import Refused, refused_row
from fruitvision.store import Store
from fruitvision.store.things import kept_season_note

# Names of the tables; their columns are those of `packed_data`.
PACKING_TABLES = ("tickets", "packed", "lots")
# A number that comes again so many days apart is another season's. Our choice: apples are packed
# for eleven months at most.
DAYS_OF_A_SEASON = 330

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedPacking:
    """How much came in, what was left out, and blocks it names that the farm does not know."""

    tickets: int
    lots: int
    parts: int
    refused: tuple[Refused, ...]
    unknown_blocks: tuple[str, ...] = ()


def load_packing(
    source: Path, store: Store, *, who: str = "", today: date | None = None, odd: bool = False
) -> LoadedPacking:
    """Read bin tickets, packed lots and their parts, and keep them.

    Names that were mapped once mean what was said then. A ticket or lot that comes again replaces
    the one before, unless it is of another season.

    Parameters
    ----------
    source : Path
        A folder with `PACKING_TABLES`, or one such table.
    today : date, optional
        Tickets of later days are left out.
    odd : bool
        Whether tickets that can hardly be meant (see `odd_tickets`) are, as a person said.

    Raises
    ------
    FieldDataError
        If there is no such table, it can't be read or lacks a column.
    """
    paths = _tables_in(source)
    meant = _meaning(store)
    refused: list[Refused] = []
    tickets = _read(paths.get("tickets"), read_tickets, meant, refused)
    known = {one.ticket: one.picked_on for one in store.bin_tickets()}
    tickets = _of_one_season(
        tickets, lambda one: (f"Ticket {one.ticket}", one.picked_on, known.get(one.ticket)), refused
    )
    if not odd:
        tickets = _left(tickets, _odd(tickets, store, today), refused)
    lots = _read(paths.get("packed"), read_packed, meant, refused)
    kept = {one.lot: one for one in store.packed_lots()}
    packed_on = {name: one.packed_on for name, one in kept.items()}
    lots = _of_one_season(
        lots, lambda one: (f"Lot {one.lot}", one.packed_on, packed_on.get(one.lot)), refused
    )
    parts = _read(paths.get("lots"), read_lot_parts, meant, refused)
    now = kept | {one.lot: one for one in lots.rows}
    parts = _of_known_lots(parts, now, refused)
    changed = {*(one.lot for one in lots.rows), *(one.lot for one in parts.rows)}
    store.save_bin_tickets(tickets.rows)
    store.save_packed_lots(with_parts([now[name] for name in sorted(changed)], parts.rows))
    counts = {"tickets": len(tickets.rows), "packed": len(lots.rows), "lots": len(parts.rows)}
    for name, rows in counts.items():
        if rows:
            store.note_table(name, rows, who=who, at=now_utc())
    named = {one.block_id for one in tickets.rows} | {one.part.block_id for one in parts.rows}
    return LoadedPacking(
        tickets=counts["tickets"],
        lots=counts["packed"],
        parts=counts["lots"],
        refused=tuple(refused),
        unknown_blocks=tuple(sorted(named - {block.block_id for block in store.blocks()})),
    )


def _tables_in(source: Path) -> Mapping[str, Path]:
    if source.is_dir():
        found = {
            name: path for name in PACKING_TABLES if (path := table_in(source, name)) is not None
        }
        if not found:
            raise FieldDataError(
                f"{source} has no table of the packing house.",
                fix="It needs tickets.csv, packed.csv or lots.csv.",
            )
        return found
    columns = set(read_csv(source, required=()).columns)
    if "ticket" in columns:
        return {"tickets": source}
    return {"packed" if "packed_on" in columns else "lots": source}


def _meaning(store: Store) -> Meant:
    """What written names mean: as somebody said once, else themselves."""
    said = {(one.kind, one.written): one.meant for one in store.mapped_names()}
    return lambda kind, written: said.get((kind, written), written)


Reader = Callable[..., FieldTable[Row]]


def _read(
    path: Path | None, read: Reader[Row], meant: Meant, refused: list[Refused]
) -> FieldTable[Row]:
    if path is None:
        return FieldTable(file="", rows=(), lines=())
    table = read(path, meant=meant)
    refused.extend(map(refused_row, table.refused))
    return table


def _of_one_season(
    table: FieldTable[Row],
    of: Callable[[Row], tuple[str, date, date | None]],
    refused: list[Refused],
) -> FieldTable[Row]:
    """The table without numbers that another season used already."""
    return _left(table, of_other_seasons(table, of), refused)


def of_other_seasons(
    table: FieldTable[Row], of: Callable[[Row], tuple[str, date, date | None]]
) -> dict[int, tuple[str, str]]:
    """Lines with a number that another season used already: what is wrong, and what to do.

    `of` : of a row its name, its day, and the day of what is kept by that name.
    """
    bad = {}
    for line, row in zip(table.lines, table.rows, strict=True):
        name, day, known = of(row)
        if known is not None and abs((day - known).days) > DAYS_OF_A_SEASON:
            bad[line] = (
                f"{name} is known of {known} already.",
                "Numbers must differ between seasons: write the year in front of it.",
            )
    return bad


def _odd(
    table: FieldTable[BinTicket], store: Store, today: date | None
) -> dict[int, tuple[str, str]]:
    return {
        one.line: (
            one.why,
            "Correct it; if it is right, load it with --odd.",
        )
        for one in odd_tickets(table, store, today=today)
    }


def _of_known_lots(
    table: FieldTable[PartOfLot], lots: Mapping[str, PackedLot], refused: list[Refused]
) -> FieldTable[PartOfLot]:
    bad = {
        line: (f"There is no packed lot {row.lot}.", "Load it first, or with this table.")
        for line, row in zip(table.lines, table.rows, strict=True)
        if row.lot not in lots
    }
    return _left(table, bad, refused)


def _left(
    table: FieldTable[Row], bad: Mapping[int, tuple[str, str]], refused: list[Refused]
) -> FieldTable[Row]:
    before = set(table.refused)
    left = without(table, bad)
    refused.extend(refused_row(row) for row in left.refused if row not in before)
    return left


# ---------------------------------------------------------------- what a season did to a block


def note_season(note: SeasonNote, seen: SeasonNote | None, store: Store, *, who: str) -> None:
    """Keep what bins and lots of a block can't tell of a season.

    Raises
    ------
    FieldDataError
        If there is no such block, or a number of bins is below 0.
    ConflictError
        If somebody else changed the same fields since `seen`.
    """
    blocks = [block.block_id for block in store.blocks()]
    if note.block_id not in blocks:
        raise FieldDataError(
            f"There is no block '{note.block_id}'.", fix=did_you_mean(note.block_id, blocks)
        )
    for words, bins in _bins_of(note):
        if not 0 <= bins < float("inf"):
            raise FieldDataError(f"{words} are {bins:g}.", fix="Give a number of bins, 0 or more.")
    store.save_seen(kept_season_note(note.block_id, note.season), seen, note, who=who, at=now_utc())


def _bins_of(note: SeasonNote) -> Sequence[tuple[str, float]]:
    return (
        ("Bins left on the trees", note.left_bins),
        ("Bins on the ground", note.dropped_bins),
        ("Bins stolen", note.stolen_bins),
        ("Bins to processing direct", note.direct_bins),
    )


def season_note(store: Store, block_id: str, season: int) -> SeasonNote | None:
    """What was noted of a block's season."""
    return store.present(kept_season_note(block_id, season))

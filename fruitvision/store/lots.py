"""Packed lots, what a season did to a block, and what was learned of both."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from sqlalchemy import Column, String, Table, Text, insert

from fruitvision.domain import LearnedChoice, PackedLot, SeasonNote
from fruitvision.records import from_json, to_json
from fruitvision.store.columns import Whole
from fruitvision.store.database import writing
from fruitvision.store.part import StorePart
from fruitvision.store.tables import metadata

packed_lot = Table(
    "packed_lot",
    metadata,
    Column("lot", String, primary_key=True),
    Column("packed_on", String, nullable=False),
    Column("document", Text, nullable=False),
)

season_note = Table(
    "season_note",
    metadata,
    Column("block_id", String, primary_key=True),
    Column("season", Whole, primary_key=True, autoincrement=False),
    Column("document", Text, nullable=False),
)

learned_choice = Table(
    "learned_choice",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("at", String, nullable=False),
    Column("who", String, nullable=False),
    Column("document", Text, nullable=False),
    sqlite_autoincrement=True,
)


class LotsPart(StorePart):
    """What the packing house told, and what was made of it."""

    def save_packed_lots(self, lots: Iterable[PackedLot]) -> None:
        """Keep lots; one with a number that is known replaces that one."""
        rows = [
            {"lot": one.lot, "packed_on": one.packed_on.isoformat(), "document": to_json(one)}
            for one in lots
        ]
        self._upsert(packed_lot, rows)

    def packed_lots(self) -> tuple[PackedLot, ...]:
        """All lots, by number."""
        return tuple(from_json(PackedLot, row["document"]) for row in self._all_of(packed_lot))

    def save_season_note(self, note: SeasonNote) -> None:
        """Keep what a season did to a block, in place of what was kept of it."""
        self._upsert(season_note, [season_note_row(note)])

    def season_notes(self) -> tuple[SeasonNote, ...]:
        """All of them, by block and season."""
        return tuple(from_json(SeasonNote, row["document"]) for row in self._all_of(season_note))

    def save_learned_choice(self, choice: LearnedChoice) -> LearnedChoice:
        """Keep what somebody accepted or refused; returns it with its number."""
        row = {"at": choice.at.isoformat(), "who": choice.who, "document": to_json(choice)}
        with writing(self._engine, self._path) as connection:
            added = connection.execute(insert(learned_choice).values(row))
            (number,) = added.inserted_primary_key or (0,)
        return replace(choice, number=int(number))

    def learned_choices(self) -> tuple[LearnedChoice, ...]:
        """All of them, the oldest first; nothing is ever taken from this list."""
        return tuple(
            replace(from_json(LearnedChoice, row["document"]), number=row["number"])
            for row in self._all_of(learned_choice)
        )


def season_note_row(note: SeasonNote) -> dict[str, object]:
    """The row of a note."""
    return {"block_id": note.block_id, "season": note.season, "document": to_json(note)}

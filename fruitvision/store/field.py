"""The farm, its blocks, registers and picks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sqlalchemy import delete, func, select

from fruitvision.domain import (
    Block,
    PickPlan,
    RegisteredTree,
    VisitedPlace,
)
from fruitvision.store import rows, tables
from fruitvision.store.database import reading, writing
from fruitvision.store.part import StorePart, upsert


@dataclass(frozen=True, slots=True, kw_only=True)
class Farm:
    """The farm's name, and its settings as the TOML text that `settings.read_settings` reads."""

    name: str
    settings_text: str = ""


class FieldPart(StorePart):
    """Farm, blocks, registers, places visited, picks."""

    def save_farm(self, farm: Farm) -> None:
        """Keep the farm's name and settings instead of those before."""
        row = {"number": 1, "name": farm.name, "settings_text": farm.settings_text}
        self._upsert(tables.farm, [row])

    def farm(self) -> Farm:
        """Name and settings; without a saved one, the folder's name and no settings."""
        with reading(self._engine, self._path) as connection:
            row = connection.execute(select(tables.farm)).mappings().first()
        if row is None:
            return Farm(name=self.folder.resolve().name)
        return Farm(name=row["name"], settings_text=row["settings_text"])

    @property
    def farm_name(self) -> str:
        """The farm's name."""
        return self.farm().name

    def save_blocks(self, blocks: Iterable[Block]) -> None:
        """Add blocks, or replace those of the same name."""
        self._upsert(tables.block, [rows.plain_row(block) for block in blocks])

    def blocks(self) -> tuple[Block, ...]:
        """All blocks by name."""
        query = select(tables.block).order_by(tables.block.c.block_id)
        with reading(self._engine, self._path) as connection:
            return tuple(map(rows.block, connection.execute(query).mappings()))

    def save_register(self, trees: Iterable[RegisteredTree]) -> None:
        """Keep the register of each block that is named, in place of the one before."""
        new_rows = [rows.tree_row(tree) for tree in trees]
        column = tables.registered_tree.c
        with writing(self._engine, self._path) as connection:
            for block_id in sorted({row["block_id"] for row in new_rows}):
                connection.execute(
                    delete(tables.registered_tree).where(column.block_id == block_id)
                )
            upsert(connection, tables.registered_tree, new_rows)

    def register(self, block_id: str | None = None) -> tuple[RegisteredTree, ...]:
        """Positions of the register by row and position; empty where there is none."""
        return tuple(map(rows.registered_tree, self._of_block(tables.registered_tree, block_id)))

    def places_on_the_map(self) -> int:
        """How many positions of the register have coordinates."""
        table = tables.registered_tree
        query = select(func.count()).select_from(table).where(table.c.latitude_deg.is_not(None))
        with reading(self._engine, self._path) as connection:
            return int(connection.scalar(query) or 0)

    def save_visited_places(self, places: Iterable[VisitedPlace]) -> None:
        """Say what walks found at drawn positions; the last word on a place and day counts."""
        self._upsert(tables.visited_place, [rows.tree_row(place) for place in places])

    def visited_places(self, block_id: str | None = None) -> tuple[VisitedPlace, ...]:
        """What walks found, by place and day."""
        return tuple(map(rows.visited_place, self._of_block(tables.visited_place, block_id)))

    def save_pick_plan(self, block_id: str, plan: PickPlan) -> None:
        """Keep the passes of a block instead of those before."""
        self._upsert(tables.pick_plan, [rows.pick_plan_row(block_id, plan)])

    def pick_plans(self) -> Mapping[str, PickPlan]:
        """Passes by block; a block without a plan is picked once on its pick date."""
        query = select(tables.pick_plan).order_by(tables.pick_plan.c.block_id)
        with reading(self._engine, self._path) as connection:
            found = connection.execute(query).mappings().all()
        return {row["block_id"]: rows.pick_plan(row) for row in found}

"""A farm of every earlier schema opens, and keeps all it had."""

from __future__ import annotations

import json
import sqlite3
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory

from fruitvision.bench_app.farm import FarmSize, bench_farm
from fruitvision.domain import (
    BinTicket,
    Job,
    JobKind,
    OrderLine,
    Pick,
    PickPlan,
    RemovedFruit,
    WeighedFruit,
)
from fruitvision.store import FarmStore, open_farm
from fruitvision.store.farm_store import DATABASE_NAME
from fruitvision.store.schema import MIGRATIONS
from fruitvision.store.tables import SCHEMA

DAY = date(2026, 8, 12)
AT = datetime(2026, 8, 12, 9, tzinfo=UTC)


def _script() -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.set_main_option("path_separator", "os")
    return config


# Oldest first, without the present one.
EARLIER = [step.revision for step in ScriptDirectory.from_config(_script()).walk_revisions()][:0:-1]


@pytest.fixture(scope="module")
def present(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The database of a farm that has something of everything."""
    folder = tmp_path_factory.mktemp("present")
    size = FarmSize(blocks=2, trees=8, fruit_a_photo=4, forecasts=1, large_blocks=0)
    with bench_farm(folder, size) as store:
        block = store.blocks()[0]
        store.save_weighed_fruit(
            [WeighedFruit(variety="Gala", weighed_on=DAY, diameter_mm=72.0, mass_g=168.0)]
        )
        store.save_order_book(
            [OrderLine(customer="N7", variety="Gala", classes="all", week=DAY, cartons=4)]
        )
        store.save_bin_tickets(
            [BinTicket(ticket="7", block_id=block.block_id, picked_on=DAY, bins=3.0)]
        )
        store.ask_job(JobKind.MEASURE, by="Ines", at=AT, names={"a" * 64: "a.jpg"})
        store.save_pick_plan(block.block_id, PickPlan(picks=(Pick(pick_date=DAY),)))
        store.save_photo_edits(
            store.tree_photos()[0].photo_id,
            [RemovedFruit(x_px=4.0, y_px=5.0)],
            made_by="Ines",
            made_at=AT,
        )
        store.note_table("calipers.csv", 12, who="Ines", at=AT)
    return folder / DATABASE_NAME


def content(database: Path) -> dict[str, list[dict[str, object]]]:
    """All rows of all tables, by table."""
    with sqlite3.connect(database) as connection:
        connection.row_factory = sqlite3.Row
        names = [
            row[0]
            for row in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' "
                "AND name NOT LIKE 'sqlite%' AND name <> 'alembic_version'"
            )
        ]
        return {
            name: [dict(row) for row in connection.execute(f'SELECT * FROM "{name}"')]  # noqa: S608
            for name in names
        }


def farm_of_then(database: Path, revision: str, rows: dict[str, list[dict[str, object]]]) -> None:
    """A database of an earlier schema, with all rows that it has a place for."""
    engine = sa.create_engine(sa.URL.create("sqlite", database=str(database)))
    with engine.begin() as connection:
        config = _script()
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        found = sa.MetaData()
        found.reflect(connection)
        # Measurements point at photos, fruit at measurements.
        for table in found.sorted_tables:
            kept = [
                {name: value for name, value in row.items() if name in table.c}
                for row in rows.get(table.name, [])
            ]
            if kept:
                # Columns without a kind: what is in them goes in as it is.
                untyped = sa.table(table.name, *map(sa.column, kept[0]))
                connection.execute(sa.insert(untyped), kept)
    engine.dispose()


def _read_everything(store: FarmStore) -> dict[str, int]:
    """How many there are of each, every one of them read."""
    return {
        "blocks": len(store.blocks()),
        "photos": len(store.tree_photos()),
        "measured": len(store.measured_photos()),
        "fruit": sum(len(one.fruit) for one in store.measured_photos()),
        "hand counts": len(store.hand_counts()),
        "calipers": len(store.caliper_readings()),
        "register": len(store.register()),
        "forecasts": len(store.forecasts()),
        "weighed": len(store.weighed_fruit()),
        "picks": len(store.pick_plans()),
        "edits": len(store.photo_edits_of()),
        "jobs": len(store.jobs()),
        "changes": len(store.changes()),
        "orders": len(store.order_book()),
        "tickets": len(store.bin_tickets()),
    }


def test_all_schemas_of_the_history_are_tried() -> None:
    assert EARLIER[0] == "fruitvision_0001"
    assert len(EARLIER) == int(SCHEMA[-4:]) - 1


@pytest.mark.parametrize("revision", EARLIER)
def test_a_farm_of_an_earlier_schema_keeps_all_it_had(
    present: Path, tmp_path: Path, revision: str
) -> None:
    rows = content(present)
    database = tmp_path / DATABASE_NAME
    farm_of_then(database, revision, rows)
    before = content(database)
    assert before["block"]
    assert before["fruit"]
    with open_farm(tmp_path) as store:
        read = _read_everything(store)
        settings = json.dumps(store.farm().settings_text)
    assert read["blocks"] == 2
    assert read["measured"] == len(rows["measurement"])
    assert read["fruit"] == len(rows["fruit"])
    assert read["forecasts"] == 1
    assert settings
    after = content(database)
    for name, had in before.items():
        has = [{key: row[key] for key in had[0]} for row in after[name]] if had else after[name]
        assert has == had, name
    assert set(after) == set(rows)


def test_there_is_something_of_everything_to_lose(present: Path) -> None:
    with open_farm(present.parent) as store:
        read = _read_everything(store)
    assert isinstance(store.jobs()[0], Job)
    assert [name for name, number in read.items() if not number] == []


def shape(database: Path) -> dict[str, tuple[object, ...]]:
    """Columns, keys and indices of every table, and the step of the schema, however they came."""
    with sqlite3.connect(database) as connection:

        def told(what: str, of: str) -> list[tuple[object, ...]]:
            return connection.execute(f"PRAGMA {what}('{of}')").fetchall()

        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master")]
        tables = {
            name: (
                told("table_info", name),
                sorted(row[2:] for row in told("foreign_key_list", name)),
                sorted((*row[2:], *told("index_info", str(row[1]))) for row in index_list),
            )
            for name in names
            if (index_list := told("index_list", name)) or told("table_info", name)
        }
        (step,) = connection.execute("SELECT version_num FROM alembic_version").fetchall()
    return tables | {"step": step, "names": tuple(sorted(names))}


def test_a_new_farm_is_as_one_that_came_through_all_migrations(tmp_path: Path) -> None:
    with open_farm(tmp_path / "new"):
        pass
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'migrated.sqlite'}")
    config = _script()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
    engine.dispose()
    new = shape(tmp_path / "new" / DATABASE_NAME)
    assert new == shape(tmp_path / "migrated.sqlite")
    assert new["step"] == (SCHEMA,)
    assert len(new) > 20

"""No query goes through all fruit where an index leads to what it asks for; one block at a time."""

from __future__ import annotations

import gc
import shutil
import sqlite3
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from fruitvision.bench_app.farm import FarmSize, bench_farm
from fruitvision.domain import Fruit
from fruitvision.pipeline import forecast_farm
from fruitvision.pipeline.kept import FOLDER, forget_memory
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import DATABASE_NAME, open_farm
from tests.bench.explain import LARGE, OF_BLOCKS, Planned, plans

SIZE = FarmSize(blocks=3, trees=8, fruit_a_photo=4, forecasts=0, large_blocks=0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plans") / "farm"
    bench_farm(folder, SIZE).close()
    return folder


def through_all(found: list[Planned]) -> set[tuple[str, str]]:
    """Step and table, where a query goes through all of a table and need not."""
    return {
        (one.step, table)
        for one in found
        for table in one.whole
        if table in LARGE or (table in OF_BLOCKS and one.of_one_block)
    }


def test_no_query_goes_through_all_fruit_photos_or_results(folder: Path) -> None:
    with open_farm(folder, create=False) as store:
        found = plans(store)
    asked = {table for one in found for table in (*LARGE, *OF_BLOCKS) if table in one.query}
    assert asked == {*LARGE, *OF_BLOCKS}
    assert len({one.step for one in found}) == 5
    assert through_all(found) == set()


def test_a_missing_index_is_seen(folder: Path) -> None:
    """The plans' words are SQLite's: another version may use others, and then nothing is seen."""
    with sqlite3.connect(folder / DATABASE_NAME) as connection:
        connection.execute("DROP INDEX ix_tree_photo_block_id")
    try:
        with open_farm(folder, create=False) as store:
            assert ("estimate and forecast", "tree_photo") in through_all(plans(store))
    finally:
        with sqlite3.connect(folder / DATABASE_NAME) as connection:
            connection.execute("CREATE INDEX ix_tree_photo_block_id ON tree_photo (block_id)")


def test_a_forecast_holds_the_fruit_of_one_block_at_most(folder: Path) -> None:
    table = load_size_table("box_counts_42lb")
    with open_farm(folder, create=False) as store:
        held: list[int] = []
        gc.collect()
        before = _fruit_in_memory()

        def count(*of_event: Any) -> None:
            if "FROM fruit" in of_event[2]:
                held.append(_fruit_in_memory() - before)

        event.listen(store._engine, "before_cursor_execute", count)
        forget_memory()
        shutil.rmtree(folder / FOLDER, ignore_errors=True)
        forecast_farm(store, table, Settings(), made_on=date(2026, 8, 20))
        event.remove(store._engine, "before_cursor_execute", count)
        largest = max(
            sum(len(photo.fruit) for photo in store.measured_photos(block.block_id))
            for block in store.blocks()
        )
    # Asked block by block: when the next one's are asked for, no more than one's are there.
    assert len(held) == SIZE.blocks
    assert max(held) <= largest


def _fruit_in_memory() -> int:
    return sum(type(one) is Fruit for one in gc.get_objects())

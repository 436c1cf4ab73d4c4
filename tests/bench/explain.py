"""How a farm's database finds what the store asks of it: the plan of every query, in words.

    python -m tests.bench.explain FARM

measures one photo anew (and forgets that again), asks what is to be measured, estimates and
forecasts (a what-if, which is not kept), and prints the plan of every query that this sent to
SQLite (EXPLAIN QUERY PLAN) or to PostgreSQL (EXPLAIN). What is worked out of the farm is thrown
away first, else nothing would be asked. `--whole` prints only plans that go through a whole table.
"""

from __future__ import annotations

import argparse
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from sqlalchemy import delete, event

from fruitvision.fruit.detector import choose_detector
from fruitvision.pipeline import Choices, forecast_farm
from fruitvision.pipeline.kept import FOLDER, forget_memory
from fruitvision.pipeline.photos import made_with
from fruitvision.settings import Settings
from fruitvision.size_table import load_size_table
from fruitvision.store import FarmStore, open_farm, tables
from fruitvision.store.database import reading, writing
from fruitvision.store.stamps import _texts
from fruitvision.work.ask import unmeasured

# Tables that grow with every photo.
LARGE = ("fruit", "measurement", "photo")
# Tables that grow with every walk; one block's part of them is found by an index.
OF_BLOCKS = ("tree_photo", "photo_edit", "calipered_fruit", "hand_count", "caliper_reading")
MADE_ON = date(2026, 8, 20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A query, the step that sends it, and how the database goes about it."""

    step: str
    query: str
    plan: tuple[str, ...]

    @property
    def whole(self) -> tuple[str, ...]:
        """Tables that SQLite goes through from end to end, without or with an index."""
        found = [re.match(r"SCAN (\w+)", line) for line in self.plan]
        return tuple(one[1] for one in found if one)

    @property
    def of_one_block(self) -> bool:
        """Whether it asks for the rows of one block."""
        return bool(re.search(r"block_id = ", self.query))


def plans(store: FarmStore) -> list[Planned]:
    """The plan of every query of the steps of a farm's work, each query once a step."""
    found = []
    for step, work in STEPS.items():
        with _queries(store) as sent:
            work(store)
        found += [_planned(store, step, query, given) for query, given in sent.items()]
    texts = _texts(store._engine.dialect)
    block = store.blocks()[0].block_id
    given: Any = {"block_id": block} if texts.named else (block,)
    for step, queries, values in (
        ("stamps of all blocks", texts.all, {} if texts.named else ()),
        ("stamps of a block", texts.one, given),
    ):
        found += [
            _planned(store, step, query, values) for part in queries.values() for query in part
        ]
    return found


def _planned(store: FarmStore, step: str, query: str, given: Any) -> Planned:
    on_server = store.on_server
    # Reading is enough: a plan is made and not followed.
    with reading(store._engine, store.folder) as connection:
        rows = connection.exec_driver_sql(
            f"EXPLAIN {'' if on_server else 'QUERY PLAN '}{query}", given
        ).all()
    plan = tuple(str(row[0] if on_server else row[3]) for row in rows)
    return Planned(step=step, query=" ".join(query.split()), plan=plan)


@contextmanager
def _queries(store: FarmStore) -> Iterator[dict[str, Any]]:
    """What is sent in the block, with the first values of each."""
    sent: dict[str, Any] = {}

    def note(*of_event: Any) -> None:
        _connection, _cursor, query, given, _context, many = of_event
        if query.split()[0] in ("SELECT", "DELETE", "UPDATE") and "pg_" not in query:
            sent.setdefault(query, given[0] if many else given)

    event.listen(store._engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        event.remove(store._engine, "before_cursor_execute", note)


def _measure(store: FarmStore) -> None:
    block = store.blocks()[0].block_id
    found = store.measured_photos(block)[0]
    anew = replace(found, made_with=replace(found.made_with, version="explain"))
    store.save_measured_photo(anew)
    with writing(store._engine, store.folder) as connection:
        made = tables.measurement.c.version == "explain"
        photo = tables.measurement.c.photo_id == found.photo.photo_id
        connection.execute(delete(tables.measurement).where(made, photo))


def _ask(store: FarmStore) -> None:
    unmeasured(store, Settings())
    block = store.blocks()[0].block_id
    store.measured_photos_of(block, made_with(choose_detector(), Settings()))


def _forecast(store: FarmStore) -> None:
    shutil.rmtree(store.folder / FOLDER, ignore_errors=True)
    forget_memory()
    table = load_size_table("box_counts_42lb")
    what_if = Choices(pick_shift_days=1)
    forecast_farm(store, table, Settings(), made_on=MADE_ON, choices=what_if)


STEPS: dict[str, Callable[[FarmStore], None]] = {
    "measure a photo": _measure,
    "what is to be measured": _ask,
    "estimate and forecast": _forecast,
}


def main() -> None:
    """Print the plans."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("farm", type=Path)
    parser.add_argument("--whole", action="store_true", help="only what goes through a whole table")
    given = parser.parse_args()
    with open_farm(given.farm, create=False) as store:
        for one in plans(store):
            if given.whole and not any("SCAN" in line or "Seq Scan" in line for line in one.plan):
                continue
            print(f"\n[{one.step}] {one.query}")  # noqa: T201
            for line in one.plan:
                print(f"    {line}")  # noqa: T201


if __name__ == "__main__":
    main()

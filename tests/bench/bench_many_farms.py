"""What a farm on a server costs the more farms are there, each in a schema of its own.

``python -m tests.bench.bench_many_farms FOLDER --farms 300``: a server of its own, on a socket,
with as many connections as PostgreSQL gives unless told otherwise. Farms are moved there one after
another; at some of them the newest is opened and read several times. In the end all are open at
once in one process, as in so many apps; with a small `--idle-ms` those opened first are idle by
then, as apps are at which nobody looks. Times are milliseconds: of this process's processor, and of
the wall, whose medians say something beside each other in one run only.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from fruitvision.errors import StoreError
from fruitvision.store import FarmStore, open_farm, postgresql
from fruitvision.store.database import reading
from fruitvision.store.move import move_to_server
from fruitvision.store.place import checked_server, schema_name
from tests import postgres_server
from tests.farm_records import HILL

TRIES = 15
# Farms after which it is measured.
_AT = (1, 10, 30, 100, 200, 300, 600, 1000)
_QUESTIONS = {
    "connections": "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()",
    "relations": "SELECT count(*) FROM pg_class",
    "MB": "SELECT pg_database_size(current_database()) / 1048576",
}


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--farms", type=int, default=300)
    parser.add_argument("--idle-ms", type=int, default=postgresql.IDLE_MS)
    chosen = parser.parse_args()
    postgresql.IDLE_MS = chosen.idle_ms
    folder = chosen.folder.absolute()
    shutil.rmtree(folder, ignore_errors=True)
    first = folder / "first"
    with open_farm(first, name="Larkhill") as store:
        store.save_blocks([HILL])
    _say("| farms | move, wall | open: processor | open: wall | read: wall | relations | MB |")
    _say("|---|---|---|---|---|---|---|")
    with postgres_server.started(connections=100) as url:
        farms: list[Path] = []
        for number in range(1, chosen.farms + 1):
            farm = folder / f"farm {number}"
            shutil.copytree(first, farm)
            start = time.perf_counter()
            move_to_server(farm, checked_server(url, schema_name(farm)))
            moved_ms = 1000 * (time.perf_counter() - start)
            farms.append(farm)
            if number in _AT:
                _say(f"| {number} | {moved_ms:.0f} | {_costs(farm)} |")
        _all_at_once(farms)


def _costs(farm: Path) -> str:
    processor = _median(lambda: open_farm(farm, create=False).close(), time.process_time)
    wall = _median(lambda: open_farm(farm, create=False).close(), time.perf_counter)
    with open_farm(farm, create=False) as store:
        if store.blocks() != (HILL,):
            raise RuntimeError("the farm's block is not there")
        read = _median(store.blocks, time.perf_counter)
        asked = " | ".join(str(_asked(store, _QUESTIONS[one])) for one in ("relations", "MB"))
    return f"{processor:.1f} | {wall:.1f} | {read:.2f} | {asked}"


def _all_at_once(farms: list[Path]) -> None:
    with ExitStack() as stack:
        stores: list[FarmStore] = []
        try:
            for farm in farms:
                stores.append(stack.enter_context(open_farm(farm, create=False)))
                stores[-1].blocks()
        except StoreError as err:
            _say(f"The farm that was to be number {len(stores) + 1} at once: {err}")
        _say(f"{len(stores)} farms open at once: {_asked(stores[0], _QUESTIONS['connections'])} "
             "connections")  # fmt: skip


def _median(what: Callable[[], object], clock: Callable[[], float]) -> float:
    def once() -> float:
        start = clock()
        what()
        return 1000 * (clock() - start)

    return statistics.median(once() for _ in range(TRIES))


def _asked(store: FarmStore, question: str) -> int:
    with reading(store._engine, store.folder) as connection:
        return int(connection.exec_driver_sql(question).scalar_one())


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()

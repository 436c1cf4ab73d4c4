"""Kill what writes, again and again, and hold the farm against one that nobody disturbed.

``python -m tests.bench.soak_kills --kills 200``: processes that take tables in, save entries, bring
an old farm up to date, write the files of a forecast, make an archive and restore one are killed
(SIGKILL) at random moments, and begun again, until each has come to its end once more. Then every
stored number must be that of an undisturbed run, every written file the same, and nothing half
written may lie about. Photos and their measurement have a soak of their own, `soak_work`.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import shutil
import signal
import sqlite3
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from fruitvision.archive import make_archive, restore_archive
from fruitvision.bench_app.farm import FarmSize, bench_farm
from fruitvision.console import write_forecast
from fruitvision.domain import HandCount, TreeId
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.pipeline.office import load_office
from fruitvision.store import DATABASE_NAME, open_farm
from tests.test_migrations import EARLIER, content, farm_of_then

DAY = date(2026, 8, 12)
AT = datetime(2026, 8, 12, 9, tzinfo=UTC)
# A process lives within so many times what it took undisturbed: some come to their end.
LONGEST_LIFE = 1.1
# One work is killed so often before it may come to its end.
KILLS_OF_ONE = 5
# Columns that say when and how often, which two runs need not agree on.
UNLIKE = {"change": {"number", "at_utc"}}


@dataclass(frozen=True)
class Work:
    """Something that writes. `do` is begun anew after each kill; `begin` makes its farm."""

    begin: Callable[[Path, Path], None]
    do: Callable[[Path], None]


def main() -> int:
    """0 if nothing was lost, nothing was done twice, and nothing half written is left."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    with TemporaryDirectory(prefix="fruitvision-soak-") as folder:
        root = Path(folder)
        with bench_farm(root / "pattern", FarmSize(blocks=3, trees=9, fruit_a_photo=12)):
            pass
        _tables(root / "pattern" / "tables")
        _warm(root)
        return _soak(root, chosen.kills, random.Random(chosen.seed))  # noqa: S311


def _soak(root: Path, kills: int, chance: random.Random) -> int:
    killed: Counter[str] = Counter()
    faults: list[str] = []
    begun = time.monotonic()
    while sum(killed.values()) < kills:
        for name, work in WORKS.items():
            calm, shaken = root / f"{name} calm", root / f"{name} shaken"
            for farm in (calm, shaken):
                shutil.rmtree(farm, ignore_errors=True)
                work.begin(root / "pattern", farm)
            started = time.monotonic()
            _child(work.do, calm, None)
            usual_s = time.monotonic() - started
            for attempt in range(KILLS_OF_ONE + 1):
                life_s = chance.uniform(0, LONGEST_LIFE * usual_s)
                if _child(work.do, shaken, life_s if attempt < KILLS_OF_ONE else None):
                    break
                killed[name] += 1
            faults += [f"{name}: {fault}" for fault in _differences(calm, shaken)]
    for fault in faults:
        sys.stdout.write(f"FAULT {fault}\n")
    told = ", ".join(f"{name} {number}" for name, number in sorted(killed.items()))
    sys.stdout.write(
        f"{sum(killed.values())} kills in {time.monotonic() - begun:.0f} s ({told}): "
        f"{len(faults)} faults\n"
    )
    return 1 if faults else 0


def _warm(root: Path) -> None:
    """Do everything once in this process: what it imports need not be imported in each child."""
    for name, work in WORKS.items():
        work.begin(root / "pattern", root / f"{name} warm")
        work.do(root / f"{name} warm")


def _child(do: Callable[[Path], None], farm: Path, life_s: float | None) -> bool:
    """Do it in a process of its own; whether that came to its end before it was killed.

    A fork, so that a life is spent on work and not on imports.
    """
    process = os.fork()
    if process == 0:
        code = 1
        try:
            do(farm)
            code = 0
        finally:
            os._exit(code)
    end = None if life_s is None else time.monotonic() + life_s
    while end is None or time.monotonic() < end:
        found, status = os.waitpid(process, 0 if end is None else os.WNOHANG)
        if found:
            if status:
                raise RuntimeError(f"it failed by itself, status {status}")
            return True
        time.sleep(0.001)
    os.kill(process, signal.SIGKILL)
    os.waitpid(process, 0)
    return False


def _differences(calm: Path, shaken: Path) -> list[str]:
    """What two farms' folders don't have in common."""
    faults: list[str] = []
    first, second = _files(calm), _files(shaken)
    faults += [f"{name} is left" for name in sorted(second.keys() - first.keys())]
    faults += [f"{name} is missing" for name in sorted(first.keys() - second.keys())]
    faults += [f"{name} differs" for name in sorted(first) if first[name] != second.get(name)]
    return faults


def _files(farm: Path) -> dict[str, str]:
    """Every file of a folder with a hash of what counts in it; databases by their rows."""
    found: dict[str, str] = {}
    for path in sorted(farm.rglob("*")):
        if not path.is_file():
            continue
        if path.name.startswith(DATABASE_NAME):
            if path.name == DATABASE_NAME:
                found[str(path.relative_to(farm))] = _rows(path)
            continue
        found[str(path.relative_to(farm))] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def _rows(database: Path) -> str:
    with sqlite3.connect(database) as connection:
        [whole] = connection.execute("PRAGMA integrity_check").fetchone()
    if whole != "ok":
        return f"damaged: {whole}"
    rows = {
        name: [
            {column: value for column, value in row.items() if column not in UNLIKE.get(name, ())}
            for row in table
        ]
        for name, table in content(database).items()
    }
    # A table that was brought again is told again: who did what is no number of the farm.
    rows["change"] = sorted({repr(row): row for row in rows["change"]}.values(), key=repr)
    return hashlib.sha256(repr(sorted(rows.items())).encode()).hexdigest()


# ---------------------------------------------------------------- what writes


def _tables(folder: Path) -> None:
    """What the office knows of the three blocks."""
    folder.mkdir()
    with open_farm(folder.parent) as store:
        blocks = [block.block_id for block in store.blocks()]
    register = ["block,row,position,kind,stratum"]
    gaps = ["block,row,position,visited_on,found"]
    for block in blocks:
        for row in range(1, 11):
            for position in range(1, 51):
                kind = "missing" if (row * position) % 37 == 0 else "bearing"
                register.append(f"{block},{row},{position},{kind},{'low' if row < 4 else ''}")
            gaps.append(f"{block},{row},37,2026-08-12,missing")
    weighed = ["variety,weighed_on,diameter_mm,mass_g,fruit"]
    weighed += [
        f"Gala,2026-08-12,{60 + number % 20},{110 + number},{number}" for number in range(80)
    ]
    for name, lines in (("register", register), ("gaps", gaps), ("weighed", weighed)):
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n")


def _copied(pattern: Path, farm: Path) -> None:
    shutil.copytree(pattern, farm)


def _take_tables_in(farm: Path) -> None:
    with open_farm(farm) as store:
        load_office(farm / "tables", store, store.blocks(), who="Ines")


def _save_entries(farm: Path) -> None:
    """Counts of one block, each once: what is there is not entered again."""
    with open_farm(farm) as store:
        block = store.blocks()[0].block_id
        known = {count.tree for count in store.hand_counts(block)}
        for number in range(60):
            tree = TreeId(block, 11, number + 1)
            if tree not in known:
                day = DAY + timedelta(days=number % 5)
                count = HandCount(tree=tree, fruit_count=40 + number, counted_on=day)
                save_hand_count(count, None, store, who="Ines")


def _old(pattern: Path, farm: Path) -> None:
    farm.mkdir()
    farm_of_then(farm / DATABASE_NAME, EARLIER[0], content(pattern / DATABASE_NAME))


def _bring_up_to_date(farm: Path) -> None:
    with open_farm(farm):
        pass


def _write_files(farm: Path) -> None:
    with open_farm(farm) as store:
        for forecast in store.forecasts():
            write_forecast(forecast, farm / "for-sales")


def _below(pattern: Path, farm: Path) -> None:
    shutil.copytree(pattern, farm / "farm")


def _archive(farm: Path) -> None:
    make_archive(farm / "farm", farm / "farm.zip", program_version="0", made_at=AT)


def _archived(pattern: Path, farm: Path) -> None:
    farm.mkdir()
    make_archive(pattern, farm / "farm.zip", program_version="0", made_at=AT)


def _restore(farm: Path) -> None:
    if not (farm / "restored").exists():
        restore_archive(farm / "farm.zip", farm / "restored")


WORKS = {
    "tables": Work(begin=_copied, do=_take_tables_in),
    "entries": Work(begin=_copied, do=_save_entries),
    "migration": Work(begin=_old, do=_bring_up_to_date),
    "files": Work(begin=_copied, do=_write_files),
    "archive": Work(begin=_below, do=_archive),
    "restoring": Work(begin=_archived, do=_restore),
}


if __name__ == "__main__":
    raise SystemExit(main())

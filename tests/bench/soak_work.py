"""Kill what measures photos, again and again, and count what is lost or done twice.

``python -m tests.bench.soak_work --kills 50``: processes that take photos in, and processes that
measure them, are killed at random moments; beside them others enter hand counts. In the end every
photo that came in must be measured, saved once, and tied to one tree; every count must be there.
"""

from __future__ import annotations

import argparse
import random
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from fruitvision.domain import HandCount, JobState, TreeId
from fruitvision.pipeline.entries import save_hand_count
from fruitvision.pipeline.intake import take_in
from fruitvision.store import DATABASE_NAME, FarmStore, open_farm
from fruitvision.walk_data import WalkPhoto
from fruitvision.work.start import LOG_NAME, start_worker
from tests import records
from tests.test_jobs import leafy

DAY = date(2026, 8, 12)
# Photos of one upload.
UPLOAD = 10
# A process is killed within so many times what it took undisturbed: some come to their end.
LONGEST_LIFE = 1.2
# An upload is tried so often before it may come to its end; the same photos come again each time.
INTAKE_KILLS = 3


def main() -> int:
    """0 if nothing was lost and nothing was done twice."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--intake", nargs=3, metavar=("FARM", "PHOTOS", "FIRST"), help="inner use")
    chosen = parser.parse_args()
    if chosen.intake:
        farm, photos, first = chosen.intake
        _take_in(Path(farm), Path(photos), int(first))
        return 0
    with TemporaryDirectory(prefix="fruitvision-soak-") as folder:
        return _soak(Path(folder), chosen.kills, chosen.workers, random.Random(chosen.seed))  # noqa: S311


def _take_in(farm: Path, photos: Path, first: int) -> None:
    with open_farm(farm) as store:
        rows = {}
        for number in range(first, first + UPLOAD):
            path = photos / f"leafy {number}.png"
            tree = TreeId(records.BLOCK_ID, 1, number + 1)
            rows[path] = WalkPhoto(file_name=path.name, tree=tree, face="A")
        take_in(rows, store, walked_on=DAY, who="soak")


def _soak(folder: Path, kills: int, workers: int, chance: random.Random) -> int:
    farm, photos = folder / "farm", folder / "photos"
    photos.mkdir()
    with open_farm(farm) as store:
        store.save_blocks([records.block()])
        killed = {"intake": 0, "worker": 0}
        usual_s: dict[str, float] = {}
        counted = uploads = 0
        begun = time.monotonic()
        while sum(killed.values()) < kills:
            if not store.jobs(only_open=True):
                first = uploads * UPLOAD
                for number in range(first, first + UPLOAD):
                    leafy(photos, number)
                uploads += 1
                for attempt in range(INTAKE_KILLS + 1):
                    process = _intake(farm, photos, first)
                    if attempt == INTAKE_KILLS:
                        process.wait()
                    else:
                        killed["intake"] += _let_live(process, "intake", usual_s, chance)
            counted += _count(store, counted)
            process = start_worker(farm, "--workers", str(workers))
            killed["worker"] += _let_live(process, "worker", usual_s, chance)
        start_worker(farm, "--workers", str(workers)).wait()
        return _report(store, killed, uploads, counted, time.monotonic() - begun)


def _intake(farm: Path, photos: Path, first: int) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "tests.bench.soak_work"]
    command += ["--intake", str(farm), str(photos), str(first)]
    return subprocess.Popen(command, stderr=subprocess.DEVNULL)  # noqa: S603


def _let_live(
    process: subprocess.Popen[bytes], kind: str, usual_s: dict[str, float], chance: random.Random
) -> int:
    """Kill it after a while; 0 if it came to its end before, as the first of a kind always does."""
    begun = time.monotonic()
    longest_s = LONGEST_LIFE * usual_s[kind] if kind in usual_s else None
    try:
        process.wait(None if longest_s is None else chance.uniform(0, longest_s))
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.wait()
        return 1
    usual_s.setdefault(kind, time.monotonic() - begun)
    return 0


def _count(store: FarmStore, counted: int) -> int:
    """Enter a hand count of the next tree while a killed process may have left a lock."""
    tree = TreeId(records.BLOCK_ID, 2, counted + 1)
    day = DAY + timedelta(days=counted % 7)
    one = HandCount(tree=tree, fruit_count=counted, counted_on=day)
    save_hand_count(one, None, store, who="soak")
    return 1


def _report(
    store: FarmStore, killed: dict[str, int], uploads: int, counted: int, seconds: float
) -> int:
    with sqlite3.connect(store.folder / DATABASE_NAME) as connection:
        saves = connection.execute(
            "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'measurement'"
        ).fetchone()[0]
        sound = connection.execute("PRAGMA integrity_check").fetchone()[0]
    photos, measured = uploads * UPLOAD, len(store.measured_photos())
    jobs = store.jobs()
    not_done = sum(job.state is not JobState.DONE for job in jobs)
    lost_counts = counted - len(store.hand_counts())
    names = {one.photo.name for one in store.measured_photos()}
    log = (store.folder / LOG_NAME).read_text()
    print(  # noqa: T201
        f"{killed['worker']} workers and {killed['intake']} intakes killed in {seconds:.0f} s\n"
        f"{photos} photos came in: {photos - measured} lost, {saves - measured} saved twice, "
        f"{photos - len(names)} without their name\n"
        f"{len(jobs)} jobs, {not_done} not done; {counted} hand counts, {lost_counts} lost\n"
        f"database: {sound}; log: {len(log)} characters"
    )
    wrong = photos - measured or saves - measured or not_done or lost_counts or sound != "ok"
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

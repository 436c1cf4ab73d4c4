"""One process at a time works on the jobs of a farm."""

from __future__ import annotations

from pathlib import Path

from filelock import FileLock, Timeout

from fruitvision.batch import LocalProcesses, Workers
from fruitvision.cores import cores_available
from fruitvision.domain import Job, JobState
from fruitvision.fruit.detector import DEFAULT_DETECTOR
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.photos import Progress
from fruitvision.store import FarmStore, open_farm
from fruitvision.work.run import run_job

# In the farm's folder. The system lets go of it when its process ends, however that ends.
LOCK_NAME = "work.lock"
# Beside this process, also for a single photo: one that takes its process down with it is told.
PROCESSES = max(2, min(4, cores_available()))
WORKERS = LocalProcesses(PROCESSES, apart=True)
# Our choice: who looks whether somebody works holds the lock for a moment.
WAIT_FOR_LOCK_S = 2.0
# Starts without a photo done in between, after which a job is given up. Our choice: power cuts and
# impatient people are rarer.
MOST_STARTS = 10


def lock_of(folder: Path) -> FileLock:
    """What the one process that works on a farm's jobs holds."""
    return FileLock(folder / LOCK_NAME)


def is_worked_on(folder: Path) -> bool:
    """Whether some process works on the farm's jobs now."""
    try:
        with lock_of(folder).acquire(timeout=0):
            return False
    except Timeout:
        return True


def work_off(
    folder: Path, *, workers: Workers = WORKERS, detector_name: str = DEFAULT_DETECTOR
) -> int:
    """Do a farm's jobs until none is left; how many ended. Where another process does them, 0.

    Raises
    ------
    StoreError
        If there is no farm in the folder, or it can't be opened.
    """
    done = 0
    with open_farm(folder, create=False) as store:
        # Looked up again without the lock: whoever asked meanwhile saw that it was held.
        while store.jobs(only_open=True):
            try:
                with lock_of(folder).acquire(timeout=WAIT_FOR_LOCK_S):
                    done += _all_jobs(store, workers, detector_name)
            except Timeout:
                break
    return done


def _all_jobs(store: FarmStore, workers: Workers, detector_name: str) -> int:
    done = 0
    while (job := store.next_job(now_utc())) is not None:
        if job.starts > MOST_STARTS:
            _give_up(job, store)
        else:
            run_job(job, store, workers=workers, detector_name=detector_name)
        done += 1
    return done


def _give_up(job: Job, store: FarmStore) -> None:
    store.close_job(
        job.number,
        JobState.FAILED,
        at=now_utc(),
        problem=(
            f"The work was broken off {MOST_STARTS} times without getting on.",
            "Restart the computer and go on. If that does not help, load the photos a few at a "
            "time to find the one that stops it.",
        ),
    )


def work_here(job: Job, store: FarmStore, *, on_progress: Progress) -> Job | None:
    """Do one job in this process; None if another one works on the farm's jobs."""
    try:
        with lock_of(store.folder).acquire(timeout=0):
            return run_job(job, store, on_progress=on_progress)
    except Timeout:
        return None

"""Do one job, or the rest of it."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from pathlib import Path

from fruitvision.batch import Workers, stopped_the_program
from fruitvision.domain import Job, JobKind, JobState
from fruitvision.errors import ClusterError, FruitVisionError, PhotoUnreadable, StoreError
from fruitvision.fruit.detector import DEFAULT_DETECTOR, choose_detector
from fruitvision.photo import read_small
from fruitvision.pipeline import load_walk
from fruitvision.pipeline.additions import farm_settings
from fruitvision.pipeline.entries import now_utc
from fruitvision.pipeline.photos import (
    Measured,
    Progress,
    Refused,
    made_with,
    measure_photos,
    quiet,
)
from fruitvision.pipeline.pictures import thumbnail_of
from fruitvision.pipeline.views import join_kept_faces
from fruitvision.pipeline.walk import Brought
from fruitvision.settings import Settings
from fruitvision.store import Store
from fruitvision.work.ask import unmeasured

_LOG = logging.getLogger(__name__)

# Long side at which a refused photo is looked at again, px: enough to tell whether it opens.
_GLANCE_PX = 64


class Cancelled(Exception):
    """Somebody wants the job stopped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ended:
    """What a job left out, and which of those photos can't be opened."""

    refused: tuple[Refused, ...] = ()
    unreadable: tuple[str, ...] = ()


def run_job(
    job: Job,
    store: Store,
    *,
    detector_name: str = DEFAULT_DETECTOR,
    workers: Workers = 1,
    on_progress: Progress = quiet,
) -> Job:
    """Do what is still to be done of a job, and say how it ended.

    Every photo's result is stored at once. Between two photos, and between two faces that are put
    together, it is looked up whether somebody cancelled the job.

    Returns
    -------
    Job
        Done, failed with its problem in words, or cancelled.

    Raises
    ------
    ClusterError
        If the cluster that measures is lost.
    """
    tell = _Teller(job, store, on_progress)
    try:
        settings = farm_settings(store)
        if job.kind is JobKind.LOAD:
            ended = _load(job, store, settings, detector_name, workers, tell)
        else:
            ended = _measure(job, store, settings, detector_name, workers, tell)
    except Cancelled:
        return store.job(job.number)
    except ClusterError:
        # The job stays open: it is gone on with when the cluster is back, or without one.
        raise
    except FruitVisionError as err:
        return _failed(job, store, err.what, err.fix)
    except Exception:
        _LOG.exception("job %d", job.number)
        return _failed(
            job,
            store,
            "The work stopped by a mistake of this program.",
            "Try again; what was measured is kept. The farm folder's work.log says where.",
        )
    return store.close_job(
        job.number,
        JobState.DONE,
        at=now_utc(),
        refused=[(one.name, one.what, one.fix) for one in ended.refused],
        unreadable=ended.unreadable,
    )


def _failed(job: Job, store: Store, what: str, fix: str) -> Job:
    return store.close_job(job.number, JobState.FAILED, at=now_utc(), problem=(what, fix))


class _Teller:
    """Writes a job's progress, and stops it where somebody cancelled it."""

    def __init__(self, job: Job, store: Store, also: Progress) -> None:
        self._number, self._store, self._also = job.number, store, also
        self._begun = False

    def __call__(self, done: int, of: int) -> None:
        tell = self._store.tell_progress if self._begun else self._store.tell_start
        self._begun = True
        now = tell(self._number, done=done, total=of, at=now_utc())
        self._also(done, of)
        _stop_if_cancelled(now)

    def look(self) -> None:
        """Between two steps that count no photo: stop the job where somebody cancelled it."""
        _stop_if_cancelled(self._store.job(self._number))


def _stop_if_cancelled(job: Job) -> None:
    if job.state is JobState.CANCELLED:
        raise Cancelled


def _measure(
    job: Job,
    store: Store,
    settings: Settings,
    detector_name: str,
    workers: Workers,
    tell: _Teller,
) -> _Ended:
    missing = set(unmeasured(store, settings, detector_name=detector_name))
    paths: dict[Path, str] = {}
    refused: list[Refused] = []
    for photo_id, name in job.names.items():
        if photo_id in missing:
            try:
                paths[store.photo_path(photo_id)] = photo_id
            except StoreError as err:
                refused.append(Refused(name=name, what=err.what, fix=err.fix))
    before = len(job.names) - len(paths)
    measured = measure_photos(
        tuple(paths),
        store=store,
        settings=settings,
        detector_name=detector_name,
        workers=workers,
        on_progress=lambda done, of: tell(before + done, before + of),
        names={path: job.names[photo_id] for path, photo_id in paths.items()},
    )
    for photo in measured.photos:
        tell.look()
        thumbnail_of(photo.photo.photo_id, store)
    join_kept_faces(store, settings=settings, detector_name=detector_name, before_each=tell.look)
    left_out = {Path(one.name): one for one in measured.refused}
    refused += [
        Refused(name=job.names[paths[path]], what=one.what, fix=one.fix)
        for path, one in left_out.items()
    ]
    return _Ended(
        refused=tuple(refused),
        unreadable=tuple(paths[path] for path, one in left_out.items() if not _opens(path, one)),
    )


def _opens(path: Path, refused: Refused) -> bool:
    """Whether a refused photo can be shown; one that ends its process is not opened in this one."""
    if refused.what == stopped_the_program(path.name).what:
        return False
    try:
        read_small(path, _GLANCE_PX)
    except PhotoUnreadable:
        return False
    return True


def _load(
    job: Job,
    store: Store,
    settings: Settings,
    detector_name: str,
    workers: Workers,
    tell: _Teller,
) -> _Ended:
    loaded = load_walk(
        Path(job.folder),
        store,
        settings=settings,
        detector_name=detector_name,
        workers=workers,
        on_progress=tell,
        brought=Brought(who=job.asked_by),
    )
    return _Ended(refused=loaded.refused)


def result_of(
    job: Job, store: Store, settings: Settings, *, detector_name: str = DEFAULT_DETECTOR
) -> Measured:
    """What a job's photos gave up to now, and what it left out."""
    origin = made_with(choose_detector(detector_name), settings, store.lenses())
    found = (store.measured_photo(photo_id, origin) for photo_id in job.names)
    return Measured(
        photos=tuple(one for one in found if one is not None),
        refused=tuple(Refused(name=name, what=what, fix=fix) for name, what, fix in job.refused),
        copies=(),
    )

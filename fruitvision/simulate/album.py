"""A folder of simulated photos with their truth: made in several processes, and gone on with.

DIR/simulated.json      what the folder is made from
DIR/*.csv               the season's tables, see `season.tables`
DIR/photos/             photos
DIR/.made/              truth of each finished photo; a photo is finished when it is there
DIR/truth_*             truth of all photos, see `picture.truth_files`
"""

from __future__ import annotations

import logging
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from operator import itemgetter
from pathlib import Path

from fruitvision.simulate.picture.render import choose_variant
from fruitvision.simulate.picture.shoot import shoot
from fruitvision.simulate.picture.shot import Shot
from fruitvision.simulate.picture.truth import PhotoTruth
from fruitvision.simulate.picture.truth_files import write_truth
from fruitvision.simulate.season.draw import SeasonBlock
from fruitvision.simulate.season.tables import write_field_data
from fruitvision.simulate.work import Work, start_folder
from fruitvision.whole_file import write_whole

logger = logging.getLogger(__name__)

FINISHED_FOLDER = ".made"

# A photo: number of its album, and its own number in it.
Place = tuple[int, int]
# A photo, and why it failed; "" if it is made.
Outcome = tuple[Place, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Album:
    """A folder, and what it is to hold."""

    work: Work
    folder: Path

    def finished(self, shot: Shot) -> Path:
        """Where the truth of a finished photo lies."""
        return self.folder / FINISHED_FOLDER / f"{Path(shot.name).stem}.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """One photo made, or failed with `problem`.

    `done` and `of` count photos of all albums, `made` those of this run, `seconds` since it began.
    """

    name: str
    done: int
    of: int
    made: int
    seconds: float
    problem: str = ""

    def words(self) -> str:
        """A line for the screen."""
        if self.problem:
            return f"failed: {self.name}: {self.problem}"
        a_minute = 60.0 * self.made / max(self.seconds, 1e-3)
        return (
            f"{self.done} of {self.of} photos, {a_minute:.1f} a minute, "
            f"{_duration((self.of - self.done) / a_minute)} left: {self.name}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """What a run came to: photos of all albums, how many of them are `there`, how many it made,
    names of those that failed.
    """

    photos: int
    there: int
    made: int
    failed: tuple[str, ...]
    seconds: float


OnProgress = Callable[[Progress], None]


def quiet(progress: Progress) -> None:
    """Say nothing."""


def write_tables(album: Album) -> tuple[SeasonBlock, ...]:
    """Write the season's tables without photos, and return the season.

    Raises
    ------
    SimulationError
        If the folder holds something else.
    """
    start_folder(album.work, album.folder, photos=False)
    return _season(album)


def fill_albums(
    albums: Sequence[Album],
    *,
    variant: str,
    workers: int = 1,
    minutes: float | None = None,
    on_progress: OnProgress = quiet,
) -> Filled:
    """Fill folders with tables, photos and truth; photos that are finished are not made again.

    A photo that fails costs that photo only.

    Parameters
    ----------
    variant : str
        Variant of Mitsuba: scalar_rgb, llvm_ad_rgb or cuda_ad_rgb.
    minutes : float, optional
        After them no photo is begun. Then albums take turns, so that all have about as many photos.

    Raises
    ------
    SimulationError
        If a folder holds something else.
    SettingsError
        If the variant can't be used.
    """
    begun = time.monotonic()
    ends = begun + 60.0 * minutes if minutes is not None else float("inf")
    choose_variant(variant)
    for album in albums:
        start_folder(album.work, album.folder)
        _sweep(album.folder)
    shots = [album.work.shots(_season(album)) for album in albums]
    photos = [(number, at) for number, each in enumerate(shots) for at in range(len(each))]
    if minutes is not None:
        photos.sort(key=itemgetter(1, 0))

    def missing_now() -> list[Place]:
        return [(n, at) for n, at in photos if not albums[n].finished(shots[n][at]).exists()]

    missing = missing_now()
    failed: dict[Place, str] = {}
    made = 0
    waiting = missing if time.monotonic() < ends else []
    # Photos under way when the time is up are finished: closing waits for them.
    with closing(_outcomes(Studio(albums, variant), waiting, workers)) as outcomes:
        for (number, at), problem in outcomes:
            name = str(albums[number].folder / shots[number][at].name)
            if problem:
                failed[number, at] = name
            made += not problem
            on_progress(
                Progress(
                    name=name,
                    done=len(photos) - len(missing) + made,
                    of=len(photos),
                    made=made,
                    seconds=time.monotonic() - begun,
                    problem=problem,
                )
            )
            if time.monotonic() >= ends:
                break
    left = len(missing_now())
    for album, each in zip(albums, shots, strict=True):
        write_truth(_truths(album, each), album.folder)
    return Filled(
        photos=len(photos),
        there=len(photos) - left,
        made=len(missing) - left,
        failed=tuple(failed[place] for place in sorted(failed)),
        seconds=time.monotonic() - begun,
    )


def truths_of(album: Album) -> Iterator[PhotoTruth]:
    """Truth of the finished photos of a folder, in the order of the walk list."""
    return _truths(album, album.work.shots(album.work.draw()))


class Studio:
    """Makes photos one by one; a season is drawn once, and the renderer stays warm."""

    def __init__(self, albums: Sequence[Album], variant: str) -> None:
        self.albums, self.variant = tuple(albums), variant
        self._shots: dict[int, tuple[Shot, ...]] = {}

    def make(self, place: Place) -> str:
        """Make one photo and then its truth; returns what went wrong, or nothing."""
        try:
            self._make(*place)
        except Exception as err:
            logger.exception("photo %s failed", place)
            return str(err) or type(err).__name__
        return ""

    def _make(self, number: int, at: int) -> None:
        album = self.albums[number]
        if number not in self._shots:
            choose_variant(self.variant)
            self._shots[number] = album.work.shots(album.work.draw())
        shot, wanted = self._shots[number][at], album.work.pictures
        photo = shoot(shot, samples=wanted.samples, shrink=wanted.shrink)
        write_whole(album.folder / shot.name, photo.jpeg)
        write_whole(album.finished(shot), photo.truth.to_json().encode())


# ---------------------------------------------------------------- processes


def _outcomes(
    studio: Studio, photos: Sequence[Place], workers: int
) -> Generator[Outcome, None, None]:
    """Each photo as it is made, or why it failed.

    A photo that takes its process down with it is tried once more alone.
    """
    if workers <= 1 or len(photos) <= 1:
        for at in photos:
            yield at, studio.make(at)
        return
    waiting, suspects = deque(photos), deque[Place]()
    while waiting:
        suspects.extend((yield from _in_a_pool(studio, waiting, min(workers, len(waiting)))))
    while suspects:
        for at in (yield from _in_a_pool(studio, deque([suspects.popleft()]), 1)):
            yield at, "It stopped the program; memory may have run out."


def _in_a_pool(
    studio: Studio, waiting: deque[Place], workers: int
) -> Generator[Outcome, None, list[Place]]:
    """Work off `waiting` until it is empty or a process dies; returns what was lost then.

    No more photos are handed out than there are processes, so that few are lost.
    """
    under_way: dict[Future[str], Place] = {}
    with ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_open_studio, initargs=(studio,)
    ) as pool:
        try:
            while waiting or under_way:
                while waiting and len(under_way) < workers:
                    # Taken off only when handed out: a broken pool refuses it.
                    task = pool.submit(_make, waiting[0])
                    under_way[task] = waiting.popleft()
                for task in wait(under_way, return_when=FIRST_COMPLETED).done:
                    problem = task.result()
                    yield under_way.pop(task), problem
        except BrokenProcessPool:
            return sorted(under_way.values())
    return []


_studio: Studio | None = None


def _open_studio(studio: Studio) -> None:
    """Once a process: keep the studio, and end when the main process is gone."""
    global _studio  # noqa: PLW0603 - a process of the pool has no other place
    _studio = studio
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A killed main process can't end its workers: they end themselves."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _make(place: Place) -> str:
    if _studio is None:
        raise RuntimeError("the process has no studio")
    return _studio.make(place)


# ---------------------------------------------------------------- files


def _season(album: Album) -> tuple[SeasonBlock, ...]:
    blocks = album.work.draw()
    work = album.work
    write_field_data(blocks, album.folder, work.seed, work.faces, work.places)
    return blocks


def _truths(album: Album, shots: Iterable[Shot]) -> Iterator[PhotoTruth]:
    for shot in shots:
        path = album.finished(shot)
        if path.exists():
            yield PhotoTruth.from_json(path.read_text(encoding="utf-8"))


def _sweep(folder: Path) -> None:
    """Remove halves of files that a killed run left behind."""
    for part in folder.glob("**/.*.part"):
        part.unlink(missing_ok=True)


def _duration(minutes: float) -> str:
    if minutes < 1.5:
        return f"{60 * minutes:.0f} s"
    return f"{minutes:.0f} min" if minutes < 90 else f"{minutes / 60:.1f} h"

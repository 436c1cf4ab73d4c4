"""A cluster's workers behind the protocol that measures photos on one machine too."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from fruitvision.batch import Measure, MeasureOf, Result, stopped_the_program
from fruitvision.cluster.fit import FitWorkers
from fruitvision.cluster.flight import (
    WINDOW,
    WINDOW_PER_THREAD,
    Flight,
    Task,
    TaskFailed,
    Work,
)
from fruitvision.cluster.source import PhotoSource, SentPhoto, SharedPhoto, sent
from fruitvision.cluster.task import Wanted, id_there, measure_there
from fruitvision.errors import PhotoUnreadable


class ClusterWorkers:
    """Measures photos on a cluster. Made by `connect.cluster_at`.

    Parameters
    ----------
    wanted : Wanted
        What every worker must measure with.
    photos_at : str
        fsspec URL, or path, by which workers find the photos that lie below `below` on this
        computer; if empty, the photos' bytes are sent.
    """

    def __init__(
        self, fit: FitWorkers, wanted: Wanted, *, photos_at: str = "", below: Path = Path()
    ) -> None:
        self._fit, self._wanted = fit, wanted
        self._photos_at, self._below = photos_at.rstrip("/"), below.absolute()

    @property
    def unfit(self) -> dict[str, str]:
        """Workers that were left out up to now, by address, and why."""
        return self._fit.unfit

    @property
    def threads(self) -> int:
        """Photos that the fit workers can measure side by side."""
        return sum(self._fit.now().values())

    def in_groups(
        self, paths: Sequence[Path], measure_of: MeasureOf
    ) -> Iterator[list[tuple[Path, Result]]]:
        """Groups of photos with their measurement, or the error a user can put right.

        Raises
        ------
        ClusterError
            If the connection is lost, or no worker is left.
        """
        tasks = (Task(path, partial(self._to_measure, path, measure_of(path))) for path in paths)
        for group in self._flight().answers(tasks):
            yield [(path, _result(path.name, answer)) for path, answer in group]

    def measured(
        self, photos: Iterable[SharedPhoto], measure_of: Callable[[SharedPhoto], Measure]
    ) -> Iterator[list[tuple[SharedPhoto, Result]]]:
        """The same for photos that this computer need not see."""
        tasks = (
            Task(photo, partial(self._measuring, photo, measure_of(photo))) for photo in photos
        )
        for group in self._flight().answers(tasks):
            yield [(photo, _result(photo.name, answer)) for photo, answer in group]

    def ids(
        self, photos: Iterable[SharedPhoto]
    ) -> Iterator[list[tuple[SharedPhoto, str | PhotoUnreadable]]]:
        """Groups of photos with their ids, made on the workers."""
        tasks = (Task(photo, partial(Work, id_there, (photo,))) for photo in photos)
        for group in self._flight().answers(tasks):
            yield [(photo, _answer(photo.name, answer)) for photo, answer in group]

    def _flight(self) -> Flight:
        return Flight(self._fit, window=max(WINDOW, WINDOW_PER_THREAD * self.threads))

    def _to_measure(self, path: Path, measure: Measure) -> Work:
        return self._measuring(self._source(path), measure)

    def _measuring(self, photo: PhotoSource, measure: Measure) -> Work:
        size = len(photo.content) if isinstance(photo, SentPhoto) else 0
        return Work(measure_there, (photo, measure, self._wanted), size)

    def _source(self, path: Path) -> PhotoSource:
        """Where a worker finds a photo of this computer."""
        whole = path.absolute()
        if not self._photos_at or not whole.is_relative_to(self._below):
            return sent(path)
        inside = whole.relative_to(self._below).as_posix()
        return SharedPhoto(f"{self._photos_at}/{inside}", path.name)


def _result(name: str, answer: Any) -> Result:
    result: Result = _answer(name, answer)
    return result


def _answer(name: str, answer: Any) -> Any:
    """An answer as it came, or in words why none came."""
    if answer is None:
        return stopped_the_program(name)
    if isinstance(answer, TaskFailed):
        return PhotoUnreadable(
            f"Measuring {name} failed on the cluster by a mistake of this program: {answer.words}.",
            fix="Try this photo on one computer, without --cluster, or leave it out.",
        )
    return answer

"""Many photos: who measures them, and each result handed over as it comes.

On one machine worker processes do it; `cluster` does it on several, behind the same protocol.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Thread
from typing import Protocol

from fruitvision.cores import keep_to, threads_here
from fruitvision.domain import MeasuredPhoto
from fruitvision.errors import FruitVisionError, PhotoUnreadable

Result = MeasuredPhoto | FruitVisionError
# Both can be sent to another process; a photo's own may differ from that of others.
Measure = Callable[[Path], MeasuredPhoto]
MeasureOf = Callable[[Path], Measure]


class PhotoWorkers(Protocol):
    """Who measures many photos."""

    def in_groups(
        self, paths: Sequence[Path], measure_of: MeasureOf
    ) -> Iterator[list[tuple[Path, Result]]]:
        """Each photo once, with its measurement or the error a user can put right.

        In order of completion; what is done at the same time comes in one group, and nothing is
        held back to make a group larger.

        Parameters
        ----------
        measure_of : callable
            Gives the function that measures a photo. It is given a path too: the photo's, or that
            of a copy of the same name.
        """


@dataclass(frozen=True, slots=True)
class LocalProcesses:
    """So many processes of this computer. One photo, or all with one process, is measured in this
    process, unless it must be `apart`: where a photo that ends its process must not end this one.
    """

    number: int
    apart: bool = False

    def in_groups(
        self, paths: Sequence[Path], measure_of: MeasureOf
    ) -> Iterator[list[tuple[Path, Result]]]:
        """As in `PhotoWorkers`; every group is a single photo."""
        here = not self.apart and (self.number <= 1 or len(paths) <= 1)
        photos = _here(paths, measure_of) if here else _apart(paths, measure_of, self.number)
        for path, result in photos:
            yield [(path, result)]


# A number of processes of this computer, or who else measures.
Workers = int | PhotoWorkers


def photo_workers(workers: Workers) -> PhotoWorkers:
    """Who measures."""
    return LocalProcesses(workers) if isinstance(workers, int) else workers


def for_each_photo(
    paths: Sequence[Path], measure: Measure, *, workers: int
) -> Iterator[tuple[Path, Result]]:
    """Each photo with its measurement, or the error a user can put right, in order of completion.

    A photo that takes a worker process down with it is tried once more alone, and then refused.

    Parameters
    ----------
    measure : callable
        A function that can be sent to another process.
    """
    for group in LocalProcesses(workers).in_groups(paths, lambda _: measure):
        yield from group


def stopped_the_program(name: str) -> PhotoUnreadable:
    """Refuses a photo that took down each process that measured it."""
    return PhotoUnreadable(
        f"Measuring {name} stopped the program.",
        fix="Save the photo again as a plain JPEG, or leave it out.",
    )


def _here(paths: Sequence[Path], measure_of: MeasureOf) -> Iterator[tuple[Path, Result]]:
    for path in paths:
        yield path, _try(path, measure_of(path))


def _apart(
    paths: Sequence[Path], measure_of: MeasureOf, workers: int
) -> Iterator[tuple[Path, Result]]:
    left = list(paths)
    while left:
        lost = yield from _in_a_pool(left, measure_of, workers)
        # One of those that were in hand: a pool hands out one more than it has processes.
        in_hand = min(workers, len(left)) + 1
        for path in lost[:in_hand]:
            if (yield from _in_a_pool([path], measure_of, 1)):
                yield path, stopped_the_program(path.name)
        left = lost[in_hand:]


def _in_a_pool(
    paths: Sequence[Path], measure_of: MeasureOf, workers: int
) -> Generator[tuple[Path, Result], None, list[Path]]:
    """Yield what could be measured, return the paths that were lost when the pool broke, in their
    order."""
    lost: set[Path] = set()
    processes = min(workers, len(paths))
    share = max(1, threads_here() // processes)
    with ProcessPoolExecutor(
        processes, mp_context=get_context("spawn"), initializer=_begin, initargs=(share,)
    ) as pool:
        tasks: dict[Future[Result], Path] = {}
        for path in paths:
            try:
                tasks[pool.submit(_try, path, measure_of(path))] = path
            except BrokenProcessPool:
                lost.add(path)
        try:
            for task in as_completed(list(tasks)):
                # Taken out: what was handed over is not kept here as well.
                path = tasks.pop(task)
                try:
                    yield path, task.result()
                except BrokenProcessPool:
                    lost.add(path)
                    break
            # A pool that broke may forget what was handed to it in that moment: nobody waits for
            # it. What was done before counts.
            for task, path in tasks.items():
                if task.done() and task.exception() is None:
                    yield path, task.result()
                else:
                    lost.add(path)
        finally:
            # Whoever stops in the middle waits for the photos in hand, not for all the others.
            pool.shutdown(cancel_futures=True)
    return [path for path in paths if path in lost]


def _begin(threads: int) -> None:
    """Start of a worker process: so many threads, and an end with the process that started it.

    A pool whose parent is killed would wait for work for ever.
    """
    keep_to(threads)
    parent = parent_process()
    if parent is not None:
        Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def _try(path: Path, measure: Measure) -> Result:
    try:
        return measure(path)
    except FruitVisionError as err:
        return err

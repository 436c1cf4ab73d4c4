"""Many photos on one machine: worker processes, each result handed over as it comes."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Thread

from fruitvision.cores import keep_to, threads_here
from fruitvision.domain import MeasuredPhoto
from fruitvision.errors import FruitVisionError, PhotoUnreadable

Result = MeasuredPhoto | FruitVisionError
Measure = Callable[[Path], MeasuredPhoto]


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
    if workers <= 1 or len(paths) <= 1:
        for path in paths:
            yield path, _try(path, measure)
        return
    lost = yield from _in_a_pool(paths, measure, workers)
    for path in lost:
        if (yield from _in_a_pool([path], measure, 1)):
            yield (
                path,
                PhotoUnreadable(
                    f"Measuring {path.name} stopped the program.",
                    fix="Save the photo again as a plain JPEG, or leave it out.",
                ),
            )


def _in_a_pool(
    paths: Sequence[Path], measure: Measure, workers: int
) -> Generator[tuple[Path, Result], None, list[Path]]:
    """Yield what could be measured, return the paths that were lost when the pool broke."""
    lost: list[Path] = []
    processes = min(workers, len(paths))
    share = max(1, threads_here() // processes)
    with ProcessPoolExecutor(
        processes, mp_context=get_context("spawn"), initializer=_begin, initargs=(share,)
    ) as pool:
        tasks: dict[Future[Result], Path] = {
            pool.submit(_try, path, measure): path for path in paths
        }
        try:
            for task in as_completed(tasks):
                try:
                    yield tasks[task], task.result()
                except BrokenProcessPool:
                    lost.append(tasks[task])
        finally:
            # Whoever stops in the middle waits for the photos in hand, not for all the others.
            pool.shutdown(cancel_futures=True)
    return lost


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

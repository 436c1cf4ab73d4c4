"""Many tasks over a cluster with a bounded number under way, their answers as they come."""

from __future__ import annotations

import time
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from fruitvision.cluster.task import OtherProgram
from fruitvision.errors import ClusterError, FruitVisionError

if TYPE_CHECKING:
    from distributed import Client, Future

# Tasks under way: enough that no worker waits while a group is stored (our choice; the scheduler
# keeps a kilobyte or two of each), and twice the threads of a cluster that is larger.
WINDOW = 200
# Bytes of photos under way: they lie in the scheduler's memory until they are measured. Our choice.
WINDOW_BYTES = 256_000_000
# Answers of one group at most, so that a transaction stays short. Our choice.
MOST_AT_ONCE = 64
# Tries more of a task that fails by no fault of its photo, such as memory that ran out.
RETRIES = 2
# How often it is looked up whether there are workers, s, and after how long without any it is given
# up: a machine that starts again is back by then. Our choice.
LOOK_EVERY_S = 2.0
PATIENCE_S = 120.0

K = TypeVar("K")


@dataclass(frozen=True, slots=True)
class Work:
    """A function to be run on a worker, and the bytes of the photo that go along."""

    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    sent_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Task(Generic[K]):
    """What `name` means, and how its work is made: when it is sent, and each time that it is."""

    name: K
    make: Callable[[], Work]


@dataclass(frozen=True, slots=True)
class TaskFailed:
    """A task that came to no answer though its worker lives, by an error of the program."""

    words: str


@dataclass(frozen=True, slots=True)
class _UnderWay(Generic[K]):
    task: Task[K]
    future: Future[Any]
    sent_bytes: int
    only_on: frozenset[str]


Group = list[tuple[K, Any]]
Told = Callable[[OtherProgram], None]


class Flight:
    """Sends tasks to those workers of a cluster that are fit for them.

    Parameters
    ----------
    unfit : dict
        Workers that must not work, by address, and why; what a worker answers is added.
    """

    def __init__(
        self,
        client: Client,
        unfit: dict[str, str],
        *,
        window: int = WINDOW,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self._client, self._unfit = client, unfit
        self._window, self._patience_s = window, patience_s

    def answers(self, tasks: Iterable[Task[K]]) -> Iterator[Group[K]]:
        """Groups of names and answers, each name once, in order of completion.

        A worker that is lost costs nothing: the scheduler gives its tasks to others. Tasks under
        way on workers that were lost time and again are suspects: when all others are done each is
        tried by itself, and the one that still takes its workers down is answered with None.

        Raises
        ------
        ClusterError
            If the connection is lost, or no worker is left.
        """
        suspects = yield from self._some(iter(tasks), self._window)
        for suspect in suspects:
            if (yield from self._some(iter([suspect]), 1)):
                yield [(suspect.name, None)]

    def _some(
        self, tasks: Iterator[Task[K]], window: int
    ) -> Generator[Group[K], None, list[Task[K]]]:
        """Yield what was answered, return what workers were lost with."""
        landed: SimpleQueue[Future[Any]] = SimpleQueue()
        under_way: dict[Any, _UnderWay[K]] = {}
        again: list[Task[K]] = []
        lost: list[Task[K]] = []
        try:
            while True:
                group = self._send(tasks, again, window, under_way, landed)
                if not under_way and not group:
                    return lost
                if under_way and not group:
                    for task, answer in self._landed(under_way, landed):
                        if answer is _LOST:
                            lost.append(task)
                        elif answer is _CANCELLED or isinstance(answer, OtherProgram):
                            self._remember(answer)
                            again.append(task)
                        else:
                            group.append((task.name, answer))
                    # The next are under way while somebody stores these.
                    group += self._send(tasks, again, window, under_way, landed)
                if group:
                    yield group
        finally:
            with suppress(Exception):  # the cluster may be gone
                self._client.cancel([one.future for one in under_way.values()])

    def _send(
        self,
        tasks: Iterator[Task[K]],
        again: list[Task[K]],
        window: int,
        under_way: dict[Any, _UnderWay[K]],
        landed: SimpleQueue[Future[Any]],
    ) -> Group[K]:
        """Send until the window is full; answers of tasks that can't be made."""
        group: Group[K] = []
        sent_bytes = sum(one.sent_bytes for one in under_way.values())
        fit = self._fit() if self._unfit else frozenset()
        while len(under_way) < window and sent_bytes < WINDOW_BYTES and len(group) < MOST_AT_ONCE:
            task = again.pop() if again else next(tasks, None)
            if task is None:
                break
            try:
                work = task.make()
            except FruitVisionError as err:
                group.append((task.name, err))
                continue
            future = self._client.submit(
                work.function,
                *work.arguments,
                pure=False,
                retries=RETRIES,
                workers=sorted(fit) or None,
            )
            under_way[future.key] = _UnderWay(task, future, work.sent_bytes, fit)
            sent_bytes += work.sent_bytes
            future.add_done_callback(landed.put)
        return group

    def _landed(
        self, under_way: dict[Any, _UnderWay[K]], landed: SimpleQueue[Future[Any]]
    ) -> list[tuple[Task[K], Any]]:
        """Wait for one answer, and take those that are there with it."""
        done = [self._first(under_way, landed)]
        with suppress(Empty):
            while len(done) < MOST_AT_ONCE:
                done.append(landed.get_nowait())
        # A task that was sent again lands twice, once cancelled.
        futures = [future for future in done if _is_under_way(future, under_way)]
        results = self._results(futures)
        return [
            (under_way.pop(future.key).task, result)
            for future, result in zip(futures, results, strict=True)
        ]

    def _first(
        self, under_way: dict[Any, _UnderWay[K]], landed: SimpleQueue[Future[Any]]
    ) -> Future[Any]:
        """The next future that is done; raise if there is nobody left who could do it."""
        seen_at = time.monotonic()
        while True:
            try:
                return landed.get(timeout=LOOK_EVERY_S)
            except Empty:
                present = self._fit()
            now = time.monotonic()
            seen_at = now if present else seen_at
            if now - seen_at > self._patience_s:
                raise ClusterError(
                    "The cluster has no worker left that can measure.",
                    fix="Start workers and run this again: what was measured is kept.",
                )
            # Workers that start again have another address.
            for one in list(under_way.values()) if present else ():
                if one.only_on and not one.only_on & present:
                    self._client.cancel([one.future])

    def _results(self, futures: list[Future[Any]]) -> list[Any]:
        """Results of futures that are done, fetched at once where all went well."""
        if all(future.status == "finished" for future in futures):
            with suppress(Exception):  # told one by one below
                return list(self._client.gather(futures))
        return list(map(self._result, futures))

    def _result(self, future: Future[Any]) -> Any:
        from distributed import KilledWorker

        try:
            return future.result()
        except KilledWorker:
            return _LOST
        except CancelledError:
            if self._client.status != "running":
                raise _connection_lost() from None
            return _CANCELLED
        except Exception as err:  # one photo stops nothing else
            return TaskFailed(f"{type(err).__name__}: {err}")

    def _remember(self, answer: object) -> None:
        if isinstance(answer, OtherProgram):
            self._unfit[answer.worker] = answer.what

    def _fit(self) -> frozenset[str]:
        """Addresses of the workers that are there now and may work."""
        if self._client.status != "running":
            raise _connection_lost()
        try:
            present = self._client.nthreads()
        except Exception as err:
            raise _connection_lost() from err
        return frozenset(present) - self._unfit.keys()


_LOST, _CANCELLED = object(), object()


def _is_under_way(future: Future[Any], under_way: dict[Any, _UnderWay[K]]) -> bool:
    known = under_way.get(future.key)
    return known is not None and known.future is future


def _connection_lost() -> ClusterError:
    return ClusterError(
        "The connection to the cluster was lost.",
        fix="Check that its scheduler runs, and run this again: what was measured is kept.",
    )


def in_chunks(items: Iterable[K], size: int) -> Iterator[list[K]]:
    """Items in lists of that size, the last one shorter."""
    waiting = iter(items)
    while chunk := list(islice(waiting, size)):
        yield chunk

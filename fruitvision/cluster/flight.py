"""Many tasks over a cluster with a bounded number under way, their answers as they come."""

from __future__ import annotations

import time
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import suppress
from dataclasses import dataclass, field
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from fruitvision.cluster.fit import FitWorkers, said_of_unfit
from fruitvision.cluster.task import NotHere, OtherProgram
from fruitvision.errors import ClusterError, FruitVisionError

if TYPE_CHECKING:
    from distributed import Future

# Tasks under way: enough that no worker waits while a group is stored (our choice; the scheduler
# keeps a kilobyte or two of each), and twice the threads of a cluster that is larger.
WINDOW = 200
# Where some workers are left out, tasks wait at workers and not at the scheduler, and would all be
# suspects if that worker is lost: for each thread no more than this.
WINDOW_PER_THREAD = 2
# Bytes of photos under way: they lie in the scheduler's memory until they are measured. Our choice.
WINDOW_BYTES = 256_000_000
# Answers of one group at most, so that a transaction stays short. Our choice.
MOST_AT_ONCE = 64
# Tries more of a task that fails by no fault of its photo, such as memory that ran out.
RETRIES = 2
# Workers that may try to open a photo. Our choice.
MOST_PLACES = 3
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
    """What `name` means, and how its work is made: when it is sent, and each time that it is.

    `not_on` : workers that could not open its photo.
    """

    name: K
    make: Callable[[], Work]
    not_on: set[str] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class TaskFailed:
    """A task that came to no answer though its worker lives, by an error of the program."""

    words: str


Group = list[tuple[K, Any]]


@dataclass(frozen=True, slots=True)
class _Sent(Generic[K]):
    """A task under way. `left_out` : workers that were known not to be fit when it was sent."""

    task: Task[K]
    future: Future[Any]
    sent_bytes: int
    only_on: frozenset[str]
    left_out: int


@dataclass(slots=True)
class _Trip(Generic[K]):
    """Where the tasks of a trip are: still to be sent, under way by key, come back, or lost."""

    tasks: Iterator[Task[K]]
    window: int
    again: list[Task[K]] = field(default_factory=list)
    under_way: dict[Any, _Sent[K]] = field(default_factory=dict)
    landed: SimpleQueue[Future[Any]] = field(default_factory=SimpleQueue)
    lost: list[Task[K]] = field(default_factory=list)

    def next(self) -> Task[K] | None:
        """The next task to be sent, if there is one."""
        return self.again.pop() if self.again else next(self.tasks, None)


class Flight:
    """Sends tasks to the workers of a cluster that are fit for them."""

    def __init__(
        self, fit: FitWorkers, *, window: int = WINDOW, patience_s: float = PATIENCE_S
    ) -> None:
        self._fit, self._client = fit, fit.client
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
        trip = _Trip(tasks, window)
        try:
            while True:
                group = self._send(trip)
                if not group and not trip.under_way:
                    return trip.lost
                if not group:
                    group = self._land(trip)
                    # The next are under way while somebody stores these.
                    group += self._send(trip)
                if group:
                    yield group
        finally:
            with suppress(Exception):  # the cluster may be gone
                self._client.cancel([one.future for one in trip.under_way.values()])

    def _send(self, trip: _Trip[K]) -> Group[K]:
        """Send until the window is full; answers of tasks that can't be made."""
        group: Group[K] = []
        sent_bytes = sum(one.sent_bytes for one in trip.under_way.values())
        window, fit = trip.window, frozenset[str]()
        if self._fit.unfit:
            threads = self._somebody()
            window = min(window, max(1, WINDOW_PER_THREAD * sum(threads.values())))
            fit = frozenset(threads)
        while (
            len(trip.under_way) < window and sent_bytes < WINDOW_BYTES and len(group) < MOST_AT_ONCE
        ):
            task = trip.next()
            if task is None:
                break
            try:
                work = task.make()
            except FruitVisionError as err:
                group.append((task.name, err))
                continue
            only_on = (fit or frozenset(self._fit.now())) - task.not_on if task.not_on else fit
            future = self._client.submit(
                work.function,
                *work.arguments,
                pure=False,
                retries=RETRIES,
                workers=sorted(only_on) or None,
            )
            trip.under_way[future.key] = _Sent(
                task, future, work.sent_bytes, only_on, len(self._fit.unfit)
            )
            sent_bytes += work.sent_bytes
            future.add_done_callback(trip.landed.put)
        return group

    def _land(self, trip: _Trip[K]) -> Group[K]:
        """Wait for one answer, and take those that are there with it."""
        done = [self._first(trip)]
        with suppress(Empty):
            while len(done) < MOST_AT_ONCE:
                done.append(trip.landed.get_nowait())
        futures = [future for future in done if future.key in trip.under_way]
        group: Group[K] = []
        for future, answer in zip(futures, self._results(futures), strict=True):
            sent = trip.under_way.pop(future.key)
            task = sent.task
            if answer is _LOST:
                trip.lost.append(task)
            elif self._goes_again(sent, answer):
                trip.again.append(task)
            else:
                group.append((task.name, answer.error if isinstance(answer, NotHere) else answer))
        return group

    def _goes_again(self, sent: _Sent[Any], answer: object) -> bool:
        """Whether an answer says something about its worker rather than about the task."""
        task = sent.task
        if isinstance(answer, OtherProgram):
            self._fit.leave_out(answer)
        elif isinstance(answer, NotHere):
            task.not_on.add(answer.worker)
            others = self._fit.now().keys() - task.not_on
            return bool(others) and len(task.not_on) < MOST_PLACES
        elif isinstance(answer, TaskFailed):
            # It may have been given to a worker that came later and lacks the program altogether.
            self._fit.look()
            return len(self._fit.unfit) > sent.left_out
        return answer is _CANCELLED or isinstance(answer, OtherProgram)

    def _first(self, trip: _Trip[Any]) -> Future[Any]:
        """The next future that is done."""
        while True:
            try:
                return trip.landed.get(timeout=LOOK_EVERY_S)
            except Empty:
                present = self._somebody().keys()
            # Workers that start again have another address.
            for one in list(trip.under_way.values()):
                if one.only_on and not one.only_on & present:
                    self._client.cancel([one.future])

    def _somebody(self) -> dict[str, int]:
        """Threads of the workers that may work, waited for where there are none."""
        until = time.monotonic() + self._patience_s
        while not (threads := self._fit.now()):
            if time.monotonic() > until:
                raise _nobody_left(self._fit)
            time.sleep(min(LOOK_EVERY_S, self._patience_s))
        return threads

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
            self._fit.check_connection()
            return _CANCELLED
        except Exception as err:  # one photo stops nothing else
            return TaskFailed(f"{type(err).__name__}: {err}")


def _nobody_left(fit: FitWorkers) -> ClusterError:
    if not fit.unfit:
        return ClusterError(
            "The cluster has no worker left that can measure.",
            fix="Start workers and run this again: what was measured is kept.",
        )
    return ClusterError(
        f"The cluster has no worker left that may measure. {said_of_unfit(fit.unfit)}",
        fix="Put that right, start workers and run this again: what was measured is kept.",
    )


_LOST, _CANCELLED = object(), object()

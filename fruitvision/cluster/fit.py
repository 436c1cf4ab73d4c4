"""Which workers of a cluster are there now and may work."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from fruitvision.cluster.task import OtherProgram
from fruitvision.errors import ClusterError

if TYPE_CHECKING:
    from distributed import Client

# Tells of workers, by address, why they must not work; those that may are left out.
Check = Callable[[Sequence[str]], dict[str, str]]


class FitWorkers:
    """Workers by what is known of them.

    `unfit` : those that must not work, by address, and why; also those that are gone since. A
    worker that starts again is looked at anew, at whatever address.

    Parameters
    ----------
    check : callable, optional
        Looks at workers; if left out, all are fit until they answer otherwise.
    """

    def __init__(self, client: Client, check: Check | None = None) -> None:
        self.client, self._check = client, check
        self.unfit: dict[str, str] = {}
        self._out: set[str] = set()
        self._checked: set[str] = set()

    def now(self) -> dict[str, int]:
        """Threads of each worker that is there and may work, by address.

        Raises
        ------
        ClusterError
            If the connection is lost.
        """
        return {one: n for one, n in self._present().items() if one not in self._out}

    def look(self) -> None:
        """Look at the workers that nobody looked at yet, and leave out those that must not work.

        Raises
        ------
        ClusterError
            If the connection is lost.
        """
        new = self._present().keys() - self._checked - self._out
        if self._check is not None and new:
            found = self._check(sorted(new))
            self.unfit.update(found)
            self._out |= found.keys()
            self._checked |= new

    def leave_out(self, answer: OtherProgram) -> None:
        """A worker has answered that it must not work."""
        self.unfit[answer.worker] = answer.what
        self._out.add(answer.worker)

    def _present(self) -> dict[str, int]:
        self.check_connection()
        try:
            present: dict[str, int] = self.client.nthreads()
        except Exception as err:
            raise _connection_lost() from err
        self._checked &= present.keys()
        self._out &= present.keys()
        return present

    def check_connection(self) -> None:
        """Raise if the connection is lost.

        Raises
        ------
        ClusterError
            If it is.
        """
        if self.client.status != "running":
            raise _connection_lost()


def said_of_unfit(unfit: Mapping[str, str]) -> str:
    """Why the first of some workers is left out, and how many others are; there is one."""
    worker, what = next(iter(unfit.items()))
    others = len(unfit) - 1
    return f"{worker}: {what}" + (f" So are {others} others." if others else "")


def _connection_lost() -> ClusterError:
    return ClusterError(
        "The connection to the cluster was lost.",
        fix="Check that its scheduler runs, and run this again: what was measured is kept.",
    )

"""Reach a cluster, and tell which of its workers may measure."""

from __future__ import annotations

import ipaddress
import logging
import socket
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from fruitvision.cluster.fit import FitWorkers, said_of_unfit
from fruitvision.cluster.program import program_here
from fruitvision.cluster.task import Wanted, other_program
from fruitvision.cluster.workers import ClusterWorkers
from fruitvision.errors import ClusterError
from fruitvision.fruit.detector import DEFAULT_DETECTOR

if TYPE_CHECKING:
    from distributed import Client

# Seconds in which a scheduler answers. Our choice.
CONNECT_S = 15
# Dask warns of tasks larger than 10 MB, since most people mean to send less. A photo may be larger.
_LARGE_TASK = {"distributed.admin.large-graph-warning-threshold": "1 GiB"}
_SCHEMES = ("tcp", "tls")


@dataclass(frozen=True, slots=True)
class Unfit:
    """A worker that is left out."""

    worker: str
    what: str

    def __str__(self) -> str:
        return (
            f"The worker {self.worker} is left out: {self.what} Install this computer's version "
            "and model files there and start it again."
        )


@contextmanager
def cluster_at(
    address: str,
    *,
    detector_name: str = DEFAULT_DETECTOR,
    photos_at: str = "",
    below: Path = Path(),
) -> Iterator[ClusterWorkers]:
    """The workers of a cluster that measure just as this computer would.

    Parameters
    ----------
    address : str
        Of the scheduler: `tcp://host:8786`, or `tls://host:8786` with Dask's own settings for keys.
    photos_at, below
        As in `ClusterWorkers`.

    Raises
    ------
    ClusterError
        If the extra is missing, nothing answers there, or none of its workers may measure.
    DetectorUnknown, DetectorDamaged
        If this computer has no such detector.
    """
    check_address(address)
    wanted = Wanted(program_here(detector_name), detector_name)
    with connected(address) as client:
        fit = FitWorkers(client, partial(unfit_workers, client, wanted))
        fit.look()
        check_some_fit(fit)
        yield ClusterWorkers(fit, wanted, photos_at=photos_at, below=below)


@contextmanager
def connected(address: str) -> Iterator[Client]:
    """A client of the scheduler at an address.

    Raises
    ------
    ClusterError
        If the extra is missing or nothing answers there.
    """
    try:
        import dask
        import fsspec  # noqa: F401
        from distributed import Client
    except ImportError as err:
        raise ClusterError(
            f"Work on a cluster needs more than is installed here: {err.name} is missing.",
            fix="Install it: pip install 'fruitvision[cluster]'.",
        ) from err
    # What goes wrong is said in words of ours.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with dask.config.set(_LARGE_TASK):
        try:
            client = Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError, RuntimeError) as err:
            raise ClusterError(
                f"No cluster answers at {address}: {str(err).rstrip('.')}.",
                fix="Start one there with 'dask scheduler', or check address, network and keys.",
            ) from err
        try:
            yield client
        finally:
            client.close()


def check_address(address: str) -> None:
    """Refuse what is no scheduler's address, and an open one on the internet.

    Raises
    ------
    ClusterError
        If it is one of these.
    """
    try:
        parts = urlsplit(address)
        known = parts.scheme in _SCHEMES and parts.hostname and parts.port
    except ValueError:
        known = None
    if not known:
        raise ClusterError(
            f"'{address}' is no address of a cluster.", fix="Write it as tcp://HOST:8786."
        )
    if parts.scheme == "tcp" and _is_public(parts.hostname or ""):
        raise ClusterError(
            f"{address} is an open address on the internet: whoever finds it may run any program "
            "on its machines.",
            fix="Use a network of your own (or a VPN), or a tls:// address with keys.",
        )


def _is_public(host: str) -> bool:
    try:
        found = {str(entry[4][0]) for entry in socket.getaddrinfo(host, None)}
    except OSError:
        return False  # it will not be reached either
    return any(ipaddress.ip_address(one.partition("%")[0]).is_global for one in found)


def unfit_workers(client: Client, wanted: Wanted, workers: Sequence[str]) -> dict[str, str]:
    """Those of the workers that must not measure, by address, and why.

    One that is lost before it answers is none of them: it may be fit when it is back, and each
    task asks again.
    """
    answers = client.run(other_program, wanted, workers=list(workers), on_error="return")
    return {
        str(address): answer if isinstance(answer, str) else _no_answer(answer)
        for address, answer in answers.items()
        if answer != "" and not _was_lost(answer)
    }


def _was_lost(answer: object) -> bool:
    """Whether it is an error of the network, not one that the worker raised."""
    from distributed.comm.core import CommClosedError

    # Dask raises a plain OSError where a connection can't be made in time.
    return isinstance(answer, CommClosedError) or type(answer) in {OSError, TimeoutError}


def _no_answer(err: object) -> str:
    return f"It can't run this program ({type(err).__name__}: {err})."


def check_some_fit(fit: FitWorkers) -> None:
    """Raise if no worker is left.

    Raises
    ------
    ClusterError
        With the reason of the first that is left out, or because there are none at all.
    """
    if fit.now():
        return
    if not fit.unfit:
        raise ClusterError(
            "The cluster has no workers.",
            fix="Start one on each machine: dask worker ADDRESS --nthreads 1.",
        )
    raise ClusterError(
        f"No worker of the cluster may measure. {said_of_unfit(fit.unfit)}",
        fix="Install this computer's version and model files on the workers and start them again.",
    )
